"""Power of the processor from its own energy counters: energy between two sweeps over the time between them.

The counters wrap: at 150 W the larger common range lasts 29 minutes, the smaller 7. A longer pause is no reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.protocol import Host, KeptFile
from burnin.parse.counters import parse_integer
from burnin.parse.powercap import mean_power, parse_zone_name, role_of_zone
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, missing

_NAME: Final = "energy"
_CLASS: Final = "/sys/class/powercap"
_WHAT: Final = "processor power"
_MOST_CONSTRAINTS: Final = 4


class EnergySource:
    """Powers out of energy counters."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Power of the processor, from its energy counters")

    def describe(self, host: Host) -> Description:
        """Return one channel for each zone whose counter can be read."""
        if host.system != "Linux":
            reason = f"energy counters are read from Linux's own files, and this is {host.system}"
            return Description(absent=(Absence(what=_WHAT, reason=reason, quantity="power"),))
        channels: list[Channel] = []
        absent: list[Absence] = []
        for zone in _zones(host):
            channel = _channel(host, zone)
            if isinstance(channel, Channel):
                channels.append(channel)
            else:
                absent.append(channel)
        if not channels and not absent:
            reason = (
                "the kernel lists no energy counter (its driver is not loaded, or this is a virtual machine)"
            )
            absent.append(Absence(what=_WHAT, reason=reason, quantity="power"))
        return Description(channels=tuple(channels), absent=tuple(absent))

    def open(self, host: Host, channels: Sequence[Channel]) -> EnergySession:
        """Return a session that reads exactly ``channels``; the first interval begins now."""
        return EnergySession(host, [channel.id.split("/")[1] for channel in channels])


def _zones(host: Host) -> Iterable[str]:
    return (name for name in host.names(_CLASS) if "energy_uj" in host.names(f"{_CLASS}/{name}"))


def _channel(host: Host, zone: str) -> Channel | Absence:
    try:
        name = parse_zone_name(host.read(f"{_CLASS}/{zone}/name"))
        parse_integer(host.read(f"{_CLASS}/{zone}/energy_uj"))
        parse_integer(host.read(f"{_CLASS}/{zone}/max_energy_range_uj"))
    except Unreadable as error:
        return Absence(
            what=f"{_WHAT} ({zone})", reason=f"its energy counter: {error.reason}", quantity="power"
        )
    except ParseError as error:
        return Absence(
            what=f"{_WHAT} ({zone})", reason=f"its energy counter: {error.message}", quantity="power"
        )
    return Channel(
        id=f"{_NAME}/{zone}/power",
        source=_NAME,
        quantity="power",
        label=f"Power of {name}",
        place=f"energy counter {zone}; the processor's own estimate or measurement",
        role=role_of_zone(zone, name),
        limit_high=_sustained_w(host, zone),
    )


def _sustained_w(host: Host, zone: str) -> float | None:
    """Return the sustained power limit of a zone, None where the kernel states none (powercap.rst, "long_term")."""
    for number in range(_MOST_CONSTRAINTS):
        path = f"{_CLASS}/{zone}/constraint_{number}"
        try:
            if host.read(f"{path}_name").strip() == b"long_term":
                return parse_integer(host.read(f"{path}_power_limit_uw")) / 1e6
        except (Unreadable, ParseError):
            return None
    return None


@dataclass
class _Counter:
    """One counter with its last reading; ``energy_uj`` is None while there is none."""

    zone: str
    file: KeptFile | None = None
    range_uj: int = 0
    energy_uj: int | None = None
    t_mono_ns: int = 0


class EnergySession:
    """An opened energy source.

    Args:
        host: The machine.
        zones: Counters to read, in order.
    """

    def __init__(self, host: Host, zones: Sequence[str]) -> None:
        self._host = host
        self._counters = [_Counter(zone=zone) for zone in zones]
        self.read()

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel: the mean power since the last sweep, W."""
        return tuple(self._one(counter) for counter in self._counters)

    def _one(self, counter: _Counter) -> Reading:
        before_uj, before_ns = counter.energy_uj, counter.t_mono_ns
        try:
            self._fetch(counter)
        except Unreadable as error:
            counter.energy_uj = None
            return missing(error.reason)
        except ParseError as error:
            counter.energy_uj = None
            return missing(f"garbled: {error.message}")
        if before_uj is None or counter.energy_uj is None:
            return missing("the first reading of a counter gives no power yet")
        span_s = (counter.t_mono_ns - before_ns) / 1e9
        return mean_power(before_uj, counter.energy_uj, range_uj=counter.range_uj, span_s=span_s)

    def _fetch(self, counter: _Counter) -> None:
        folder = f"{_CLASS}/{counter.zone}"
        if counter.file is None:
            counter.range_uj = parse_integer(
                self._host.read(f"{folder}/max_energy_range_uj"), "counter range"
            )
            counter.file = self._host.keep_open(f"{folder}/energy_uj")
        counter.t_mono_ns = self._host.clock.mono_ns()
        counter.energy_uj = parse_integer(counter.file.read(), "energy")

    def close(self) -> None:
        """Give the descriptors back."""
        for counter in self._counters:
            if counter.file is not None:
                counter.file.close()
                counter.file = None


PLUGIN: Final = EnergySource()
