from __future__ import annotations

import zlib

import pytest

from burnin.loads import compression


def hook(monkeypatch, name, change):
    """Put a faulty core between the load and the library, for one call."""
    real = getattr(zlib, name)
    left = [1]

    def call(*args, **options):
        done = real(*args, **options)
        if left[0]:
            left[0] -= 1
            return change(done)
        return done

    monkeypatch.setattr(compression.zlib, name, call)


def flip(place):
    return lambda data: data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :]


def test_texts_can_be_compressed_but_not_to_nothing(open_small):
    assert 0.1 < open_small("compression").notes["share_after_compression"] < 0.6


def test_a_wrong_expansion_is_named_word_by_word(open_small, monkeypatch):
    session = open_small("compression", params={"kib": 16})
    hook(monkeypatch, "decompress", flip(805))
    faults = session.step().faults
    assert [fault.values["at"] for fault in faults] == ["expanded text", "crc of the text"]
    assert faults[0].values["place"] == "100"
    assert faults[0].values["xor"] == "0x0000040000000000"


def test_an_expansion_that_is_too_short_is_reported(open_small, monkeypatch):
    session = open_small("compression")
    hook(monkeypatch, "decompress", lambda data: data[:-1])
    fault = session.step().faults[0]
    assert fault.values["at"] == "length"
    assert fault.values["expected"] == fault.values["found"] + 1


def test_compressed_data_that_do_not_expand_are_reported(open_small, monkeypatch):
    session = open_small("compression")
    hook(monkeypatch, "compress", flip(0))
    (fault,) = session.step().faults
    assert fault.values["at"] == "expansion"


def test_another_compressed_form_of_the_same_text_is_reported(open_small, monkeypatch):
    session = open_small("compression")
    text = session._texts.rows[0].tobytes()
    hook(monkeypatch, "compress", lambda data: _stored(text))
    faults = session.step().faults
    assert [fault.values["at"] for fault in faults] == ["size when compressed", "crc when compressed"]


def _stored(text: bytes) -> bytes:
    packer = zlib.compressobj(0)
    return packer.compress(text) + packer.flush()


def test_a_wrong_known_answer_is_reported_by_the_first_step(open_small, monkeypatch):
    real = zlib.crc32
    monkeypatch.setattr(compression.zlib, "crc32", lambda data: real(data) ^ (bytes(data) == b"123456789"))
    fault = open_small("compression").step().faults[0]
    assert fault.values == {"at": "known answer", "found": "0xcbf43927"}


def test_the_known_answer_is_right_by_long_division():
    """CRC-32 bit by bit from its polynomial 0x04C11DB7, reflected: no table and no library."""
    data, right = compression.KNOWN_CRC
    rest = 0xFFFFFFFF
    for byte in data:
        rest ^= byte
        for _ in range(8):
            rest = rest >> 1 ^ (0xEDB88320 if rest & 1 else 0)
    assert rest ^ 0xFFFFFFFF == right


def test_finish_finds_a_changed_text(open_small):
    session = open_small("compression")
    session._texts.rows[3, 9] ^= session._texts.rows.dtype.type(1)
    (fault,) = session.finish().faults
    assert fault.values["place"] == "3,9"


@pytest.mark.parametrize(("budget", "units"), [(1e-6, 1), (0.00375, 2)])
def test_texts_follow_the_time_asked_for(budget, units, open_small):
    session = open_small("compression", params={"kib": 16}, step_budget_s=budget)
    assert session.step().amount == pytest.approx(units * 16384 / 1e6)


@pytest.mark.parametrize("name", ["compress", "decompress"])
def test_a_text_that_changes_during_the_step_is_no_wrong_result(name, open_small, monkeypatch):
    session = open_small("compression")

    def spoil(done):
        session._texts.rows[0, 3] ^= session._texts.rows.dtype.type(1 << 50)
        return done

    hook(monkeypatch, name, spoil)
    (fault,) = session.step().faults
    assert (fault.kind, fault.values["place"]) == ("memory_word", "0,3")


def test_a_text_changed_before_its_fold_is_due_shows_in_what_it_compresses_to(open_small):
    session = open_small("compression", step_budget_s=0.01)
    session._texts.rows[2, 3] ^= session._texts.rows.dtype.type(1)
    (fault,) = session.step().faults
    assert (fault.kind, fault.values["place"]) == ("memory_word", "2,3")
