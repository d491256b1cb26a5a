from __future__ import annotations

import time

from burnin.host import clock as clock_module
from burnin.host.clock import RealClock


def test_the_clocks_are_those_of_the_system():
    clock = RealClock()
    assert abs(clock.mono_ns() - time.monotonic_ns()) < 1e9
    assert abs(clock.wall_ns() - time.time_ns()) < 1e9
    assert clock.boot_ns() >= clock.mono_ns() - 1e9
    assert clock.utc_offset_s() == time.localtime().tm_gmtoff


def test_a_system_without_boot_clock_shows_the_monotonic_one(monkeypatch):
    monkeypatch.delattr(clock_module.time, "CLOCK_BOOTTIME")
    clock = RealClock()
    assert abs(clock.boot_ns() - clock.mono_ns()) < 1e9


def test_waiting_lasts_until_the_moment_and_the_past_returns_at_once(monkeypatch):
    slept = []
    monkeypatch.setattr(clock_module.time, "sleep", slept.append)
    monkeypatch.setattr(clock_module.time, "monotonic_ns", lambda: 1_000_000_000)
    clock = RealClock()
    clock.sleep_until(999)
    assert slept == []
    clock.sleep_until(3_500_000_000)
    assert slept == [2.5]
