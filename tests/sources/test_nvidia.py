from __future__ import annotations

import pytest

from burnin.errors import Unreadable
from burnin.host.nvml import Nvml
from burnin.records.channels import IMPLAUSIBLE, MISSING
from burnin.sources.nvidia import PLUGIN, NvidiaSource

CARD = "nvidia/GPU-0000-rehearsal"


@pytest.fixture
def card(graphics_library, live_host):
    source, host = NvidiaSource(lambda: Nvml(graphics_library)), live_host()
    channels = source.describe(host).channels
    session = source.open(host, channels)

    def read():
        return {
            channel.id.rpartition("/")[2]: value
            for channel, value in zip(channels, session.read(), strict=True)
        }

    return graphics_library, read, channels, session


def test_what_the_card_has_is_a_channel_and_what_it_has_not_is_none(card):
    library, read, channels, _ = card
    assert {name: reading.value for name, reading in read().items()} == {
        "temperature": 45.0, "memory-temperature": 52.0, "power": 586.0, "clock": 1980.0, "memory-clock": 2619.0,
        "load": 99.0, "memory-used": 8.0, "held-by-heat": 0.0, "held-by-hardware": 0.0, "held-by-power": 0.0,
    }  # fmt: skip
    heat = next(channel for channel in channels if channel.id == f"{CARD}/temperature")
    assert (heat.role, heat.limit_high, heat.limit_critical) == ("graphics", 90.0, 95.0)
    assert heat.place == "Invented card, GPU-0000-rehearsal"
    assert library.shut == 1  # the look around gave the library back


def test_the_instant_power_is_preferred_and_the_average_is_the_fallback(card):
    library, read, _, _ = card
    del library.fields[186]
    assert read()["power"].value == 474.0


def test_the_idle_bit_counts_for_nothing(card):
    library, read, _, session = card
    library.reasons = 0x1
    assert {read()[name].value for name in ("held-by-heat", "held-by-hardware", "held-by-power")} == {0.0}
    assert session.holding() == {"GPU-0000-rehearsal": ()}


def test_sweeps_with_the_clock_held_down_are_counted_by_cause(card):
    library, read, _, session = card
    library.reasons = 0x20
    read()
    library.reasons = 0x40 | 0x4
    assert session.holding() == {"GPU-0000-rehearsal": ("power cap", "heat, by the hardware")}
    readings = read()
    assert [readings[name].value for name in ("held-by-heat", "held-by-hardware", "held-by-power")] == [
        2.0,
        1.0,
        1.0,
    ]
    library.reasons = 0
    assert read()["held-by-heat"].value == 2.0


def test_a_card_off_the_bus_is_missing_with_the_reason(card):
    library, read, _, session = card
    library.lost = True
    readings = read()
    assert readings["temperature"].reason == "the card has fallen off the bus"
    assert (readings["held-by-heat"].quality, readings["held-by-heat"].reason) == (
        MISSING,
        "the card has fallen off the bus",
    )
    session.close()
    assert read()["temperature"].reason == "the card is gone"
    session.close()


def test_a_temperature_of_nothing_is_implausible(card):
    library, read, _, _ = card
    library.temperature_c = 255
    assert read()["temperature"].quality == IMPLAUSIBLE


def test_reasons_are_asked_only_where_a_channel_wants_them(graphics_library, live_host):
    source, host = NvidiaSource(lambda: Nvml(graphics_library)), live_host()
    chosen = [channel for channel in source.describe(host).channels if channel.id.endswith("/clock")]
    graphics_library.nvmlDeviceGetCurrentClocksThrottleReasons = None  # would fail when called
    assert [reading.value for reading in source.open(host, chosen).read()] == [1980.0]


def test_a_card_without_reasons_has_no_such_channels(graphics_library, live_host):
    graphics_library.nvmlDeviceGetCurrentClocksThrottleReasons = None
    channels = NvidiaSource(lambda: Nvml(graphics_library)).describe(live_host()).channels
    assert not any("held-by" in channel.id for channel in channels)


def test_no_driver_no_card_and_no_machine_are_absent_with_reasons(graphics_library, live_host, machine):
    source = NvidiaSource(lambda: Nvml(graphics_library))
    assert "running machine only" in source.describe(machine.host()).absent[0].reason
    graphics_library.count = 0
    assert source.describe(live_host()).absent[0].reason == "the management library NVML lists no card"
    channels = [c for c in _channels(graphics_library, live_host) if c.id.endswith("/clock")]
    graphics_library.driver = False
    assert "found no driver" in source.describe(live_host()).absent[0].reason
    session = source.open(live_host(), channels)
    assert "found no driver" in session.read()[0].reason
    session.close()


def _channels(library, live_host):
    library.count = 1
    return NvidiaSource(lambda: Nvml(library)).describe(live_host()).channels


def test_the_shipped_source_never_raises_on_a_machine_without_a_card(live_host):
    description = PLUGIN.describe(live_host())
    assert description.channels or description.absent
    assert PLUGIN.spec.slow


def test_a_library_that_is_not_installed_says_which_extra(live_host):
    def door():
        raise Unreadable("graphics library", "it is not installed (extra 'gpu')")

    (absence,) = NvidiaSource(door).describe(live_host()).absent
    assert absence.reason == "the management library NVML: it is not installed (extra 'gpu')"
