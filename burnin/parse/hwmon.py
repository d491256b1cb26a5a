"""Sensor attributes of hwmon chips: names, units, sentinels, limits.

*Format*: one integer a file; temp in m degC, in in mV, fan in rpm, curr in mA, power in uW, pwm 0-255, humidity in
m%, freq in Hz (Linux documentation, hwmon/sysfs-interface). *Seen on*: Linux 5.10 to 6.18, drivers coretemp, k10temp,
nvme, drivetemp, board super-I/O chips, amdgpu, nouveau, jc42, spd5118.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from burnin.parse.counters import parse_integer
from burnin.records.channels import Quantity, Reading, implausible

_ATTRIBUTE: Final = re.compile(
    r"(?P<kind>temp|in|fan|curr|power|humidity|freq)(?P<index>[0-9]{1,3})_(?P<form>input|average)|pwm(?P<pwm>[0-9]{1,3})"
)
_ALARM: Final = re.compile(
    r"(?P<sensor>(?P<kind>temp|in|fan|curr|power)(?P<index>[0-9]{1,3}))(?P<which>(?:_[a-z]+){0,2})_alarm"
)


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of attribute.

    Attributes:
        quantity: What it measures.
        divisor: File value divided by this gives the channel's unit.
        low: Below this the value is outside what a running PC can have, in the channel's unit.
        high: Above this likewise.
        noun: What people call it.
    """

    quantity: Quantity
    divisor: float
    low: float
    high: float
    noun: str


KINDS: Final[dict[str, Kind]] = {
    "temp": Kind(quantity="temperature", divisor=1000.0, low=-40.0, high=150.0, noun="Temperature"),
    "in": Kind(quantity="voltage", divisor=1000.0, low=-20.0, high=60.0, noun="Voltage"),
    "fan": Kind(quantity="fan_speed", divisor=1.0, low=0.0, high=30_000.0, noun="Fan"),
    "curr": Kind(quantity="current", divisor=1000.0, low=-500.0, high=1000.0, noun="Current"),
    "power": Kind(quantity="power", divisor=1e6, low=-500.0, high=3000.0, noun="Power"),
    "pwm": Kind(quantity="duty", divisor=2.55, low=0.0, high=100.0, noun="Fan duty"),
    "humidity": Kind(quantity="humidity", divisor=1000.0, low=0.0, high=100.0, noun="Humidity"),
    "freq": Kind(quantity="frequency", divisor=1e6, low=0.0, high=20_000.0, noun="Clock"),
}
"""Divisors: the kernel's interface. Bounds: common practice, wide of any value a running PC has."""

SENTINELS_C: Final = (-128.0, -127.0, 127.0, 127.5, 127.875, 255.0)
"""Temperatures that chips give for an unconnected or failed input (from memory; -128 and 127 are the ends of a signed byte)."""

_PLACEHOLDER_LIMITS: Final = (0.0, 127.0, 127.5, 255.0)


@dataclass(frozen=True, kw_only=True)
class Attribute:
    """One readable attribute of a chip.

    Attributes:
        file: File name.
        kind: Key into ``KINDS``.
        index: Number in the file name.
    """

    file: str
    kind: str
    index: int

    @property
    def sensor(self) -> str:
        """Start of the names of all files of this sensor, such as ``temp1``."""
        return f"{self.kind}{self.index}"

    @property
    def order(self) -> tuple[int, int]:
        """Place in the list of channels: by kind, then by number."""
        return list(KINDS).index(self.kind), self.index


@dataclass(frozen=True, kw_only=True)
class Alarm:
    """One alarm bit of a chip.

    Attributes:
        file: File name.
        sensor: The sensor it belongs to, such as ``temp1``.
        kind: Key into ``KINDS``.
        which: Which alarm, such as ``crit``; empty for the general one.
    """

    file: str
    sensor: str
    kind: str
    which: str


def parse_attributes(names: tuple[str, ...]) -> tuple[Attribute, ...]:
    """Return the readable sensors among a chip's file names; an average stands in where no momentary value exists."""
    found: dict[tuple[str, int], Attribute] = {}
    for name in sorted(names, reverse=True):  # "input" comes after "average" so, and replaces nothing
        match = _ATTRIBUTE.fullmatch(name)
        if match is None:
            continue
        kind, index = (match["kind"], match["index"]) if match["kind"] else ("pwm", match["pwm"])
        found.setdefault((kind, int(index)), Attribute(file=name, kind=kind, index=int(index)))
    return tuple(sorted(found.values(), key=lambda attribute: attribute.order))


def parse_alarms(names: tuple[str, ...]) -> tuple[Alarm, ...]:
    """Return the alarm bits among a chip's file names."""
    matches = (_ALARM.fullmatch(name) for name in sorted(names))
    return tuple(
        Alarm(file=match[0], sensor=match["sensor"], kind=match["kind"], which=match["which"].strip("_"))
        for match in matches
        if match
    )


def parse_label(data: bytes) -> str:
    """Return a label as printable text on one line, at most 60 characters."""
    text = "".join(mark if mark.isprintable() else " " for mark in data[:240].decode("utf-8", "replace"))
    return " ".join(text.split())[:60]


def parse_limit(kind: str, data: bytes) -> float | None:
    """Return an upper limit in the channel's unit; None for a placeholder: unset, zero, or out of any real range.

    Raises:
        ParseError: it is no number.
    """
    rule = KINDS[kind]
    value = parse_integer(data, "limit") / rule.divisor
    if value in _PLACEHOLDER_LIMITS or not 0.0 < value < rule.high:
        return None
    return value


def parse_reading(kind: str, data: bytes, fault: bytes = b"0") -> Reading:
    """Return a reading of one sensor, converted once; sentinels and impossible values are kept and marked.

    Args:
        kind: Key into ``KINDS``.
        data: Content of the value's file.
        fault: Content of the sensor's fault file; ``0`` where it has none.

    Raises:
        ParseError: one of them is no number.
    """
    rule = KINDS[kind]
    value = parse_integer(data, rule.noun.lower()) / rule.divisor
    if parse_integer(fault, "fault bit") != 0:
        return implausible(value, "the chip reports this sensor as faulty")
    if kind == "temp" and value in SENTINELS_C:
        return implausible(value, "a value that chips give for an unconnected input")
    if not rule.low <= value <= rule.high:
        return implausible(value, "outside what a running PC can have")
    return Reading(value=value)
