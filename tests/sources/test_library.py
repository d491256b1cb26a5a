from __future__ import annotations

import psutil
import pytest

from burnin.host.protocol import LibraryReading
from burnin.host.real import RealHost
from burnin.records.channels import IMPLAUSIBLE, MISSING, OK
from burnin.sources.library import PLUGIN


def of(host):
    return {channel.id: channel for channel in PLUGIN.describe(host).channels}


def test_a_recorded_machine_has_no_library_and_says_so(machine):
    description = PLUGIN.describe(machine.host())
    assert description.channels == ()
    assert {absence.what for absence in description.absent} == {"CPU load", "available memory", "battery"}
    assert all("running machine only" in absence.reason for absence in description.absent)


def test_linux_gives_load_and_memory_but_neither_heat_nor_clocks(live_host):
    host = live_host()
    host.live.temperatures = [LibraryReading(chip="coretemp", label="Core 0", value=40.0)]
    channels = of(host)
    assert list(channels) == [
        "library/cpu/load-0",
        "library/cpu/load-1",
        "library/memory/available",
        "library/memory/swap-used",
    ]
    assert channels["library/cpu/load-1"].cores == (1,)
    assert [absence.what for absence in PLUGIN.describe(host).absent] == ["battery"]


def test_the_first_load_is_missing_and_the_next_one_counts(live_host):
    host = live_host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    first, second = session.read(), session.read()
    assert [reading.quality for reading in first] == [MISSING, MISSING, OK, OK]
    assert [reading.value for reading in second] == [10.0, 90.0, 20.0, 0.5]
    session.close()


def test_a_core_that_goes_offline_is_missing(live_host):
    host = live_host()
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    session.read()
    host.live.loads = [50.0]
    assert session.read()[1].reason == "the library no longer lists it"


def test_only_what_was_chosen_is_read(live_host):
    host = live_host()
    chosen = [
        channel for channel in PLUGIN.describe(host).channels if channel.id == "library/memory/available"
    ]
    host.live.cpu_loads_pct = None  # would fail when called
    assert [reading.value for reading in PLUGIN.open(host, chosen).read()] == [20.0]


def test_a_battery_is_a_channel_and_its_removal_is_seen(live_host):
    host = live_host()
    host.live.battery = 77.0
    channels = [channel for channel in PLUGIN.describe(host).channels if channel.quantity == "charge"]
    session = PLUGIN.open(host, channels)
    session.read()
    assert session.read()[0].value == 77.0
    host.live.battery = None
    assert session.read()[0].quality == MISSING


def test_elsewhere_the_library_gives_heat_fans_and_clocks(live_host):
    host = live_host("FreeBSD")
    host.live.temperatures = [
        LibraryReading(chip="cpu", label="", value=41.0),
        LibraryReading(chip="cpu", label="", value=255.0),
    ]
    host.live.fans = [LibraryReading(chip="board", label="front", value=900.0)]
    session = PLUGIN.open(host, PLUGIN.describe(host).channels)
    session.read()
    ids = [channel.id for channel in PLUGIN.describe(host).channels]
    readings = dict(zip(ids, session.read(), strict=True))
    assert readings["library/heat/cpu/sensor"].value == 41.0
    assert readings["library/heat/cpu/sensor 2"].quality == IMPLAUSIBLE
    assert readings["library/fans/board/front"].value == 900.0
    assert readings["library/cpu/clock-0"].value == 3000.0
    assert of(host)["library/cpu/clock-0"].label == "CPU clock"
    host.live.clocks = [0.0]
    assert dict(zip(ids, session.read(), strict=True))["library/cpu/clock-0"].quality == IMPLAUSIBLE


def test_elsewhere_what_the_library_lacks_is_listed(live_host):
    host = live_host("")
    host.live.clocks = []
    host.live.loads = []
    absent = {absence.what: absence.reason for absence in PLUGIN.describe(host).absent}
    assert set(absent) == {"CPU load", "battery", "CPU clock", "temperature sensors", "fans"}
    assert absent["fans"] == "the sensor library lists none on this system"


def test_a_session_without_a_machine_reads_nothing(machine, live_host):
    channels = PLUGIN.describe(live_host()).channels
    assert {reading.quality for reading in PLUGIN.open(machine.host(), channels).read()} == {MISSING}


def test_per_core_clocks_name_their_core(live_host):
    host = live_host("Windows")
    host.live.clocks = [3000.0, 3100.0]
    clock = of(host)["library/cpu/clock-1"]
    assert (clock.label, clock.cores) == ("Clock of CPU 1", (1,))


def test_this_machine_agrees_with_the_library_itself():
    host = RealHost()
    channels = [
        channel for channel in PLUGIN.describe(host).channels if channel.id == "library/memory/available"
    ]
    value = PLUGIN.open(host, channels).read()[0].value
    assert value == pytest.approx(psutil.virtual_memory().available / 2**30, rel=0.2)
