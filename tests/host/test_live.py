from __future__ import annotations

import os
import sys
from types import SimpleNamespace

import pytest

from burnin.host import live
from burnin.host.live import LibraryCalls
from burnin.host.protocol import LibraryReading

GIB = 1 << 30


class FakePsutil:
    """The sensor library as it looks on a system that has everything."""

    def sensors_temperatures(self):
        item = SimpleNamespace(label="Core 0", current=41.0)
        return {"nvme": [SimpleNamespace(label="", current=None)], "coretemp": [item]}

    def sensors_fans(self):
        return {"board": [SimpleNamespace(label="front", current=900)]}

    def cpu_freq(self, *, percpu):
        assert percpu
        return [SimpleNamespace(current=3000.0), SimpleNamespace(current=3100)]

    def cpu_percent(self, *, interval, percpu):
        assert interval is None
        assert percpu
        return [1.5, 100]

    def virtual_memory(self):
        return SimpleNamespace(total=32 * GIB, available=20 * GIB)

    def swap_memory(self):
        return SimpleNamespace(used=GIB // 2)

    def sensors_battery(self):
        return SimpleNamespace(percent=55)

    def cpu_count(self, *, logical):
        return 16 if logical else 8


@pytest.fixture
def library(monkeypatch):
    fake = FakePsutil()
    monkeypatch.setattr(live, "_psutil", lambda: fake)
    return fake


def failing(*_, **__):
    raise OSError("no such sensor")


def test_values_come_in_the_channels_units(library):
    calls = LibraryCalls()
    assert calls.temperatures_c() == (LibraryReading(chip="coretemp", label="Core 0", value=41.0),)
    assert calls.fans_rpm() == (LibraryReading(chip="board", label="front", value=900.0),)
    assert calls.cpu_clocks_mhz() == (3000.0, 3100.0)
    assert calls.cpu_loads_pct() == (1.5, 100.0)
    assert calls.memory_gib() == (32.0, 20.0, 0.5)
    assert calls.battery_pct() == 55.0
    assert calls.cpu_counts() == (16, 8)


def test_functions_that_a_system_lacks_give_nothing(library, monkeypatch):
    for name in ("sensors_temperatures", "sensors_fans", "sensors_battery", "cpu_freq"):
        monkeypatch.delattr(FakePsutil, name)
    calls = LibraryCalls()
    assert calls.temperatures_c() == calls.fans_rpm() == calls.cpu_clocks_mhz() == ()
    assert calls.battery_pct() is None


def test_functions_that_fail_give_nothing(library, monkeypatch):
    for name in ("sensors_temperatures", "sensors_fans", "sensors_battery", "cpu_freq", "swap_memory"):
        monkeypatch.setattr(FakePsutil, name, failing)
    calls = LibraryCalls()
    assert calls.temperatures_c() == calls.fans_rpm() == calls.cpu_clocks_mhz() == ()
    assert calls.battery_pct() is None
    assert calls.memory_gib() == (32.0, 20.0, 0.0)


def test_no_clock_and_no_battery_are_nothing(library, monkeypatch):
    monkeypatch.setattr(FakePsutil, "cpu_freq", lambda *_, **__: None)
    monkeypatch.setattr(FakePsutil, "sensors_battery", lambda _: None)
    assert LibraryCalls().cpu_clocks_mhz() == ()
    assert LibraryCalls().battery_pct() is None


def test_usable_processors_are_those_of_this_process(monkeypatch):
    assert LibraryCalls().usable_cpus() == tuple(sorted(os.sched_getaffinity(0)))
    monkeypatch.delattr(live.os, "sched_getaffinity")
    monkeypatch.setattr(live.os, "cpu_count", lambda: 3)
    assert LibraryCalls().usable_cpus() == (0, 1, 2)
    monkeypatch.setattr(live.os, "cpu_count", lambda: None)
    assert LibraryCalls().usable_cpus() == (0,)


@pytest.fixture
def processor_library(monkeypatch):
    module = SimpleNamespace(get_cpu_info=lambda: {"brand_raw": "Invented", "count": 8, "flags": ["a"]})
    monkeypatch.setitem(sys.modules, "cpuinfo", module)
    live._cpu_description.cache_clear()
    yield module
    live._cpu_description.cache_clear()


def test_the_processor_library_is_asked_once_and_gives_text(processor_library):
    assert LibraryCalls().cpu_description() == {"brand_raw": "Invented", "count": "8"}
    processor_library.get_cpu_info = failing
    assert LibraryCalls().cpu_description() == {"brand_raw": "Invented", "count": "8"}


def test_a_processor_the_library_does_not_know_gives_nothing(processor_library):
    processor_library.get_cpu_info = failing
    assert LibraryCalls().cpu_description() == {}


def test_the_library_itself_answers_on_this_machine():
    total, available, swap = LibraryCalls().memory_gib()
    assert total > available > 0.0
    assert swap >= 0.0
    assert len(LibraryCalls().cpu_loads_pct()) == LibraryCalls().cpu_counts()[0]
