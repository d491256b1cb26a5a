"""Graphics cards that the management library NVML reads: heat, power, clocks, load, why the clock is held down.

Quick values only; counters are in ``nvidia_counters``. Seen on one data-centre card without fan or display: other cards
are not tried. The reading of bus traffic is left out: it took 21 ms there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from burnin.errors import Unreadable
from burnin.host.nvml import Card, Nvml
from burnin.host.protocol import Host
from burnin.parse.clock_reasons import HARDWARE_BITS, HEAT_BITS, POWER_BITS, decode_reasons
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Quantity, Reading, Role, implausible, missing

_NAME: Final = "nvidia"
_ON_DIE: Final = "common practice for sensors on the die, from memory"
_VALUES: Final[tuple[tuple[str, Quantity, str, Role], ...]] = (
    ("temperature", "temperature", "Graphics temperature", "graphics"),
    ("memory-temperature", "temperature", "Graphics memory temperature", "graphics_memory"),
    ("power", "power", "Graphics power", "graphics_power"),
    ("clock", "frequency", "Graphics clock", "none"),
    ("memory-clock", "frequency", "Graphics memory clock", "none"),
    ("load", "load", "Graphics load", "none"),
    ("memory-used", "memory", "Graphics memory in use", "none"),
    ("fan", "duty", "Graphics fan duty", "none"),
)
_HOLDS: Final[tuple[tuple[str, int, str, Role], ...]] = (
    ("held-by-heat", HEAT_BITS, "Sweeps with the graphics clock held down by heat", "throttle_count"),
    (
        "held-by-hardware",
        HARDWARE_BITS,
        "Sweeps with the graphics clock held down by the hardware",
        "throttle_count",
    ),
    ("held-by-power", POWER_BITS, "Sweeps with the graphics clock held down by the power limit", "none"),
)
"""Counted from the start of sampling: the library tells only what holds the clock at the moment."""


class NvidiaSource:
    """Quick values of graphics cards.

    Args:
        door: Opens the management library.
    """

    def __init__(self, door: Callable[[], Nvml] = Nvml) -> None:
        self._door = door

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself; a sweep of 11 values took 3.7 ms, at worst 16, on the card seen."""
        return SourceSpec(title="Graphics cards, by the management library NVML", slow=True)

    def describe(self, host: Host) -> Description:
        """Return what each card has."""
        try:
            nvml = _opened(self._door, host)
        except Unreadable as error:
            return _nothing(f"the management library NVML: {error.reason}")
        try:
            channels = tuple(channel for card in nvml.cards() for channel in _channels(card))
        finally:
            nvml.close()
        return (
            Description(channels=channels)
            if channels
            else _nothing("the management library NVML lists no card")
        )

    def open(self, host: Host, channels: Sequence[Channel]) -> NvidiaSession:
        """Return a session that reads exactly ``channels``."""
        return NvidiaSession(host, self._door, channels)


def _opened(door: Callable[[], Nvml], host: Host) -> Nvml:
    if host.live is None:
        raise Unreadable("NVML", "it reads the running machine only, and this is not it")
    return door()


def _nothing(reason: str) -> Description:
    return Description(absent=(Absence(what="graphics card sensors", reason=reason, quantity="temperature"),))


def _has(card: Card, name: str) -> float | None:
    try:
        return card.value(name)
    except Unreadable:
        return None


def _channels(card: Card) -> Iterable[Channel]:
    place = f"{card.name}, {card.key}"
    limits = {
        "temperature": (_has(card, "slowdown-temperature"), _has(card, "shutdown-temperature")),
        "power": (_has(card, "power-limit"), None),
    }
    for name, quantity, label, role in _VALUES:
        if _has(card, name) is None:
            continue
        high, critical = limits.get(name, (None, None))
        warm = quantity == "temperature"
        yield Channel(
            id=f"{_NAME}/{card.key}/{name}", source=_NAME, quantity=quantity, label=label, place=place, role=role,
            resolution=1.0 if warm else None, accuracy=5.0 if warm else None, accuracy_source=_ON_DIE if warm else "",
            limit_high=high or None, limit_critical=critical or None,
        )  # fmt: skip
    if _has(card, "reasons") is not None:
        for name, _, label, role in _HOLDS:
            yield Channel(
                id=f"{_NAME}/{card.key}/{name}", source=_NAME, quantity="count", label=label, place=place, role=role,
                resolution=1.0,
            )  # fmt: skip


class NvidiaSession:
    """An opened card reader.

    Args:
        host: The machine.
        door: Opens the management library.
        channels: Channels to read, in order.
    """

    def __init__(self, host: Host, door: Callable[[], Nvml], channels: Sequence[Channel]) -> None:
        self._wanted = [(channel.id.split("/")[1], channel.id.split("/")[2]) for channel in channels]
        self._holds = {name: bits for name, bits, _, _ in _HOLDS}
        self._counts: dict[tuple[str, str], int] = {}
        self._nvml: Nvml | None = None
        self._cards: dict[str, Card] = {}
        self._why = "the card is gone"
        try:
            self._nvml = _opened(door, host)
            self._cards = {card.key: card for card in self._nvml.cards()}
        except Unreadable as error:
            self._why = error.reason

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel."""
        masks = {key: self._mask(card) for key, card in self._cards.items()}
        return tuple(self._one(key, name, masks.get(key)) for key, name in self._wanted)

    def _mask(self, card: Card) -> int | str:
        """Return the reasons' bits, or why there are none; asked only where a channel wants them."""
        if not any(key == card.key and name in self._holds for key, name in self._wanted):
            return 0
        try:
            return int(card.value("reasons"))
        except Unreadable as error:
            return error.reason

    def _one(self, key: str, name: str, mask: int | str | None) -> Reading:
        card = self._cards.get(key)
        if card is None or mask is None:
            return missing(self._why)
        if name in self._holds:
            return self._held(key, name, mask)
        try:
            value = card.value(name)
        except Unreadable as error:
            return missing(error.reason)
        return _judged(name, value)

    def _held(self, key: str, name: str, mask: int | str) -> Reading:
        if isinstance(mask, str):
            return missing(mask)
        count = self._counts.get((key, name), 0) + (1 if mask & self._holds[name] else 0)
        self._counts[key, name] = count
        return Reading(value=float(count))

    def holding(self) -> dict[str, tuple[str, ...]]:
        """Return what holds each card's clock down at the moment, in words."""
        masks: dict[str, Any] = {key: _has(card, "reasons") for key, card in self._cards.items()}
        return {key: decode_reasons(int(mask)) for key, mask in masks.items() if mask is not None}

    def close(self) -> None:
        """Give the library back."""
        if self._nvml is not None:
            self._nvml.close()
            self._nvml = None
            self._cards = {}


def _judged(name: str, value: float) -> Reading:
    if name.endswith("temperature") and not 0.0 < value < 150.0:
        return implausible(value, "outside what a running card can have")
    return Reading(value=value)


PLUGIN: Final = NvidiaSource()
