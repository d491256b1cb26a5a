from __future__ import annotations

import hashlib

import pytest

from burnin.loads import digest


class BadHash:
    """The library's function, wrong for the messages it is told.

    Args:
        wrong: Says whether the answer to a message is to be wrong.
    """

    def __init__(self, wrong) -> None:
        self.wrong, self.real = wrong, hashlib.sha256

    def __call__(self, message):
        done = self.real(message)
        return _Answer(bytes([done.digest()[0] ^ 1]) + done.digest()[1:]) if self.wrong(message) else done


class _Answer:
    def __init__(self, value: bytes) -> None:
        self.value = value

    def digest(self) -> bytes:
        return self.value

    def hexdigest(self) -> str:
        return self.value.hex()


def put_in(monkeypatch, wrong) -> None:
    monkeypatch.setattr(digest.hashlib, "sha256", BadHash(wrong))


@pytest.mark.parametrize("place", range(3))
def test_a_wrong_published_answer_is_reported_by_the_first_step(place, open_small, monkeypatch):
    message, right = digest.KNOWN_ANSWERS[place]
    put_in(monkeypatch, lambda asked: asked == message)
    fault = open_small("digest").step().faults[0]
    assert fault.kind == "wrong_result"
    assert fault.values["expected"] == right
    assert fault.values["implementation"] == "library"


def test_a_wrong_second_implementation_is_reported_too(open_small, monkeypatch):
    monkeypatch.setattr(digest, "digest_of", lambda message: bytes(32))
    faults = open_small("digest").step().faults
    assert [fault.values["implementation"] for fault in faults] == ["second", "second"]


def test_a_core_that_always_hashes_some_messages_wrongly_is_found(open_small, monkeypatch):
    session = open_small("digest", params={"links": 20000})
    put_in(monkeypatch, lambda asked: len(asked) == 32 and asked[5] < 8)
    found = [fault for _ in range(8) for fault in session.step().faults]
    again = [fault for fault in found if "message" in fault.values]
    assert again
    for fault in again:
        message = bytes.fromhex(fault.values["message"])
        assert fault.values["expected"] == hashlib.new("sha256", message).hexdigest()
        assert fault.values["found"] == fault.values["found_again"] != fault.values["expected"]
    assert any("chain" in fault.values for fault in found)


def test_one_wrong_link_changes_the_digest(open_small, monkeypatch):
    session, other = open_small("digest"), open_small("digest")
    count = iter(range(10**9))
    put_in(monkeypatch, lambda asked: next(count) == 1000)
    assert session.step().digest != other.step().digest


def test_a_changed_stored_answer_is_no_wrong_result(open_small):
    session = open_small("digest")
    session._ends.values[5] ^= session._ends.values.dtype.type(1)
    (fault,) = session.step().faults
    assert fault.kind == "memory_word"
    assert fault.values["buffer"] == "stored answers"


def test_finish_checks_the_links_that_wait(open_small, monkeypatch):
    session = open_small("digest")
    put_in(monkeypatch, lambda asked: True)
    result = session.step()
    assert not result.settled
    last = session.finish()
    assert last.settled
    assert len(last.faults) == 10
    assert not session.finish().faults


def test_links_follow_the_time_asked_for(open_small):
    assert open_small("digest", params={"links": 0}, step_budget_s=0.01).notes["links_per_step"] == 10000
    assert open_small("digest", params={"links": 0}, step_budget_s=1e-9).notes["links_per_step"] == 20
