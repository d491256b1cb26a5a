from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from burnin.loads import transcendental
from burnin.loads.transcendental import IDENTITIES


def hook(monkeypatch, name, change):
    """Put a faulty core between the load and one function."""
    real = getattr(np, name)

    def function(values, out):
        real(values, out)
        change(out)

    faulty = [
        replace(
            identity,
            first=function if identity.first is real else identity.first,
            second=function if identity.second is real else identity.second,
        )
        for identity in IDENTITIES
    ]
    monkeypatch.setattr(transcendental, "IDENTITIES", tuple(faulty))


@pytest.mark.parametrize("identity", IDENTITIES, ids=lambda identity: identity.name)
def test_bounds_hold_on_many_arguments(identity):
    arguments = transcendental._arguments(99, 0, 20000)
    assert arguments.min() >= 2.0**-7
    assert arguments.max() < 2.0**7
    values = np.empty((2, 20000))
    identity.compute(arguments, values)
    assert identity.gap(arguments, values).max() <= 1.0


@pytest.mark.parametrize(
    ("name", "exact"),
    [
        ("sin", math.sin),
        ("cos", math.cos),
        ("log", math.log),
        ("exp", math.exp),
        ("sqrt", math.sqrt),
        ("arctan", math.atan),
        ("arcsinh", math.asinh),
        ("tan", math.tan),
    ],
)
def test_functions_keep_the_stated_accuracy_beside_the_systems_library(name, exact):
    arguments = transcendental._arguments(5, 0, 2000)
    values = getattr(np, name)(arguments)
    right = np.array([exact(x) for x in arguments.tolist()])
    assert np.all(np.abs(values - right) <= (transcendental._STATED + 1) * np.spacing(np.abs(right)))


@pytest.mark.parametrize(
    "name", ["sin", "cos", "log", "exp", "sqrt", "square", "arctan", "tan", "arcsinh", "sinh"]
)
def test_an_error_of_a_millionth_breaks_an_identity(name, open_small, monkeypatch):
    session = open_small("transcendental")
    hook(monkeypatch, name, lambda done: done.__setitem__(7, done[7] * (1 + 1e-6) + 1e-6))
    faults = session.step().faults
    assert faults[0].values["at"].startswith("identity")
    assert faults[0].values["gap"] > 1
    assert any(fault.values["at"] == "comparison with the first values" for fault in faults)


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_values_that_are_no_numbers_break_an_identity(value, open_small, monkeypatch):
    session = open_small("transcendental")
    hook(monkeypatch, "exp", lambda done: done.__setitem__(7, value))
    fault = session.step().faults[0]
    assert fault.values["at"] == "identity powers"
    assert fault.values["gap"] >= 1e308


def test_one_bit_is_found_by_the_comparison(open_small, monkeypatch):
    session = open_small("transcendental")

    def flip(done):
        done.view(np.uint64)[9] ^= np.uint64(1)

    hook(monkeypatch, "tan", flip)
    faults = [f for f in session.step().faults if f.values["at"] == "comparison with the first values"]
    assert faults[0].values["xor"] == "0x0000000000000001"


def test_finish_finds_a_changed_argument(open_small):
    session = open_small("transcendental")
    session._arguments.rows[2, 9] = 1.0
    (fault,) = session.finish().faults
    assert fault.values["place"] == "2,9"


def test_a_core_that_is_wrong_from_the_start_breaks_the_identity_in_turn(open_small, monkeypatch):
    hook(monkeypatch, "exp", lambda done: done.__setitem__(40, done[40] * 1.001))
    session = open_small("transcendental", step_budget_s=1e-9)
    rounds = transcendental._PARTS * transcendental._CLOSELY
    assert [fault.values["at"] for fault in session.step().faults] == ["identity powers"]  # from the opening
    found = [fault for _ in range(rounds) for fault in session.step().faults]
    assert [fault.values["at"] for fault in found] == ["identity powers"]
    assert [fault.values["at"] for fault in session.finish().faults] == ["identity powers"]


def test_powers_of_the_described_faulty_core_are_known_answers(open_small, monkeypatch):
    assert all(found == pytest.approx(right, rel=5e-5) for found, right in transcendental.known_powers())
    monkeypatch.setattr(transcendental.np, "power", lambda base, exponent: np.zeros(5))
    faults = open_small("transcendental").step().faults
    assert [fault.values["expected"] for fault in faults] == [156.2472, 142.0429, 1.331, 26854.51, 0.7513]
