"""Error counters of graphics cards that the management library NVML reads: memory errors, repeated bus packets.

Slow to read, so swept apart from ``nvidia``. Many cards have no memory with error correction: then they have no counter.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final

from burnin.errors import Unreadable
from burnin.host.nvml import Card, Nvml
from burnin.host.protocol import Host
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, Role, missing

_NAME: Final = "nvidia_counters"
_COUNTERS: Final[tuple[tuple[str, str, Role], ...]] = (
    ("corrected-errors", "Corrected graphics memory errors", "fault_count"),
    ("uncorrected-errors", "Uncorrected graphics memory errors", "fault_count"),
    ("link-replays", "Packets repeated on the graphics card's link", "none"),
)


class NvidiaCounterSource:
    """Error counters of graphics cards.

    Args:
        door: Opens the management library.
    """

    def __init__(self, door: Callable[[], Nvml] = Nvml) -> None:
        self._door = door

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(title="Error counters of graphics cards, by the management library NVML", slow=True)

    def describe(self, host: Host) -> Description:
        """Return the counters each card has."""
        if host.live is None:
            return _nothing("the management library NVML reads the running machine only, and this is not it")
        try:
            nvml = self._door()
        except Unreadable as error:
            return _nothing(f"the management library NVML: {error.reason}")
        try:
            channels = tuple(channel for card in nvml.cards() for channel in _channels(card))
        finally:
            nvml.close()
        return Description(channels=channels) if channels else _nothing("no card has such a counter")

    def open(self, host: Host, channels: Sequence[Channel]) -> NvidiaCounterSession:
        """Return a session that reads exactly ``channels``."""
        del host
        return NvidiaCounterSession(self._door, channels)


def _nothing(reason: str) -> Description:
    return Description(absent=(Absence(what="graphics error counters", reason=reason, quantity="count"),))


def _channels(card: Card) -> Iterable[Channel]:
    for name, label, role in _COUNTERS:
        try:
            card.value(name)
        except Unreadable:
            continue
        yield Channel(
            id=f"{_NAME}/{card.key}/{name}", source=_NAME, quantity="count", label=label, role=role, resolution=1.0,
            place=f"{card.name}, {card.key}; counted since the driver was loaded",
        )  # fmt: skip


class NvidiaCounterSession:
    """An opened reader of counters.

    Args:
        door: Opens the management library.
        channels: Channels to read, in order.
    """

    def __init__(self, door: Callable[[], Nvml], channels: Sequence[Channel]) -> None:
        self._wanted = [(channel.id.split("/")[1], channel.id.split("/")[2]) for channel in channels]
        self._nvml: Nvml | None = None
        self._cards: dict[str, Card] = {}
        self._why = "the card is gone"
        try:
            self._nvml = door()
            self._cards = {card.key: card for card in self._nvml.cards()}
        except Unreadable as error:
            self._why = error.reason

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel."""
        return tuple(self._one(key, name) for key, name in self._wanted)

    def _one(self, key: str, name: str) -> Reading:
        card = self._cards.get(key)
        if card is None:
            return missing(self._why)
        try:
            return Reading(value=card.value(name))
        except Unreadable as error:
            return missing(error.reason)

    def close(self) -> None:
        """Give the library back."""
        if self._nvml is not None:
            self._nvml.close()
            self._nvml = None
            self._cards = {}


PLUGIN: Final = NvidiaCounterSource()
