from __future__ import annotations

import numpy as np
import pytest
from scipy import fft

from burnin.loads import fourier
from burnin.loads.fourier import transform_bound


def hook(monkeypatch, name, change, times=1):
    """Put a faulty core between the load and one of the transforms."""
    real = getattr(np.fft, name)
    left = [times]

    def transform(values, out=None):
        done = real(values, out=out)
        if left[0]:
            left[0] -= 1
            change(done)
        return done

    monkeypatch.setattr(fourier.np.fft, name, transform)


def add(size):
    return lambda done: done.__setitem__(5, done[5] + size)


def test_bound_holds_and_is_not_loose_by_orders_of_magnitude(open_small):
    signal = open_small("fourier")._signals.rows[0].view(np.complex128)
    right = fft.fft(signal.astype(np.clongdouble))
    error = float(np.linalg.norm((np.fft.fft(signal) - right).astype(np.complex128)) / np.linalg.norm(signal))
    error /= np.sqrt(len(signal))
    assert error < transform_bound(len(signal))
    assert transform_bound(1 << 15) < 2e-14


def test_a_wrong_spectrum_is_found_by_all_three_checks(open_small, monkeypatch):
    session = open_small("fourier")
    hook(monkeypatch, "fft", add(10.0))
    faults = session.step().faults
    places = [fault.values["at"] for fault in faults]
    assert places == ["way back", "energy", "comparison with the first spectrum"]
    assert faults[2].values["wrong_again"] is False
    assert faults[2].values["place"] == "10"


def test_one_bit_of_the_spectrum_is_found_by_the_comparison(open_small, monkeypatch):
    session = open_small("fourier")

    def flip(done):
        done.view(np.uint64)[11] ^= np.uint64(1)

    hook(monkeypatch, "fft", flip)
    (fault,) = session.step().faults
    assert fault.values["xor"] == "0x0000000000000001"


def test_a_wrong_way_back_is_found(open_small, monkeypatch):
    session = open_small("fourier")
    hook(monkeypatch, "ifft", add(1e-9))
    error, place = session.step().faults
    assert error.values["at"] == "way back"
    assert error.values["relative_error"] > error.values["allowed"]
    assert place.values["at"] == "comparison with the first way back"
    assert place.values["place"] == "10"


def test_a_core_that_is_wrong_again_is_reported_without_a_place(open_small, monkeypatch):
    session = open_small("fourier", params={"log2_n": 9})
    hook(monkeypatch, "fft", lambda done: done.__setitem__(5, done[5] * (1 + 2e-16)), times=99)
    fault = session.step().faults[0]
    assert fault.values["wrong_again"] is True
    assert "place" not in fault.values


@pytest.mark.parametrize("value", [np.inf, np.nan])
def test_results_that_are_no_numbers_are_faults(value, open_small, monkeypatch):
    session = open_small("fourier")
    hook(monkeypatch, "ifft", lambda done: done.__setitem__(0, value))
    assert session.step().faults[0].values["at"] == "way back"


def test_finish_finds_a_changed_signal(open_small):
    session = open_small("fourier")
    session._signals.rows[3, 7] = 0.0
    (fault,) = session.finish().faults
    assert fault.values["place"] == "3,7"


def test_a_signal_that_changes_during_the_step_is_no_wrong_result(open_small, monkeypatch):
    session = open_small("fourier")

    def spoil(done):
        session._signals.rows.view(np.uint64)[1, 3] ^= np.uint64(1 << 50)

    hook(monkeypatch, "fft", spoil)
    faults = session.step().faults
    assert {fault.kind for fault in faults} == {"memory_word"}
    assert faults[0].values["place"] == "1,3"


def test_a_core_that_is_wrong_from_the_start_fails_the_identities(open_small, monkeypatch):
    hook(monkeypatch, "ifft", add(1e-3), times=10**6)
    session = open_small("fourier")
    assert [fault.values["at"] for fault in session.step().faults][:4] == ["way back"] * 4  # from the opening
    faults = [fault for _ in range(9) for fault in session.step().faults]
    assert {fault.values["at"] for fault in faults} == {"way back"}
    assert [fault.values["at"] for fault in session.finish().faults] == ["way back"] * 4


def test_a_library_without_given_arrays_does_the_same(open_small, monkeypatch):
    first = open_small("fourier").step()
    monkeypatch.setattr(fourier, "_INTO", False)
    monkeypatch.setattr(fourier.np.fft, "fft", lambda values, real=np.fft.fft: real(values))
    monkeypatch.setattr(fourier.np.fft, "ifft", lambda values, real=np.fft.ifft: real(values))
    again = open_small("fourier").step()
    assert (again.digest, again.faults) == (first.digest, ())
