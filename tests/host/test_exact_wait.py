from __future__ import annotations

import pytest

from burnin.host import exact_wait


class Time:
    """A clock that a sleep moves on, and that each look moves on by 100 ns."""

    def __init__(self):
        self.now, self.slept = 5_000_000_000, []

    def monotonic_ns(self):
        self.now += 100
        return self.now

    def sleep(self, span_s):
        self.slept.append(span_s)
        self.now += round(span_s * 1e9)


def test_it_sleeps_first_and_waits_busily_last(monkeypatch):
    clock = Time()
    monkeypatch.setattr(exact_wait, "time", clock)
    late_ns = exact_wait.wait_until(5_010_000_000)
    assert 0 <= late_ns < 200
    assert clock.slept == [pytest.approx(0.009, abs=1e-6)]


def test_a_moment_that_is_past_or_near_needs_no_sleep(monkeypatch):
    clock = Time()
    monkeypatch.setattr(exact_wait, "time", clock)
    assert exact_wait.wait_until(4_999_000_000) > 900_000
    assert exact_wait.wait_until(clock.now + 500_000) < 200
    assert clock.slept == []
