from __future__ import annotations

from burnin.host.nvml import Nvml
from burnin.sources.nvidia_counters import PLUGIN, NvidiaCounterSource


def test_memory_errors_are_counted_and_a_lost_card_is_missing(graphics_library, live_host):
    source, host = NvidiaCounterSource(lambda: Nvml(graphics_library)), live_host()
    channels = source.describe(host).channels
    assert [channel.id.rpartition("/")[2] for channel in channels] == [
        "corrected-errors",
        "uncorrected-errors",
    ]
    session = source.open(host, channels)
    assert [reading.value for reading in session.read()] == [0.0, 0.0]
    graphics_library.ecc[1] = 1
    assert [reading.value for reading in session.read()] == [0.0, 1.0]
    graphics_library.lost = True
    assert {reading.reason for reading in session.read()} == {"the card has fallen off the bus"}
    session.close()
    session.close()
    assert {reading.reason for reading in session.read()} == {"the card is gone"}


def test_absence_gives_the_reason(graphics_library, live_host, machine):
    source = NvidiaCounterSource(lambda: Nvml(graphics_library))
    channels = source.describe(live_host()).channels
    assert "running machine only" in source.describe(machine.host()).absent[0].reason
    graphics_library.nvmlDeviceGetTotalEccErrors = None
    assert source.describe(live_host()).absent[0].reason == "no card has such a counter"
    graphics_library.driver = False
    assert "found no driver" in source.describe(live_host()).absent[0].reason
    session = source.open(live_host(), channels)
    assert "found no driver" in session.read()[0].reason
    session.close()


def test_the_shipped_source_never_raises_on_a_machine_without_a_card(live_host):
    description = PLUGIN.describe(live_host())
    assert description.channels or description.absent
    assert PLUGIN.spec.slow
