"""A customer's copy of a journal: names and hardware addresses left out, the chain made anew, the origin named.

A hash chain cannot survive a change, so a copy cannot carry the original's seal. It is a journal of its own whose first
line names the original's last hash; whoever seals it vouches for both. Its lines stand where they stood, so that every
piece of evidence keeps its number, and it is judged anew: a copy that comes to another verdict is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, BinaryIO, Final

import msgspec

from burnin.errors import InputError
from burnin.journal.frame import NO_LINE_BEFORE, Line, encode_line, line_hash
from burnin.journal.reader import JournalReader
from burnin.records import codec
from burnin.records.events import AnyEvent, InventoryTaken, RunOpened, Sweep

LEFT_OUT: Final = "left out"

_ADDRESS: Final = re.compile(r"(?<![0-9A-Fa-f:])(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}(?![0-9A-Fa-f:])")
_SHORTEST: Final = 4
_WORDS: Final = frozenset(
    {
        "note",
        "remark",
        "remarks",
        "text",
        "detail",
        "reason",
        "causes",
        "machine",
        "beyond_ratings",
        "message",
    }
)
"""Fields that hold free text, in which a customer's name may stand."""

_EVENTS: Final = msgspec.json.Decoder(AnyEvent)


def redacted_journal(journal: BinaryIO) -> bytes:
    """Return the customer's copy of a whole journal.

    Raises:
        InputError: the journal is damaged.
    """
    start = journal.tell()
    reader = JournalReader(journal)
    secrets = _Secrets()
    for line in reader:
        secrets.take(line.event)
    if reader.damage is not None:
        raise InputError(
            f"journal: {reader.damage}; expected a whole journal",
            slug="seal-damaged",
            hint="Only a whole journal is sealed. 'burnin verify' says what is damaged.",
        )
    origin = reader.head.prev
    journal.seek(start)
    return b"".join(_chained(_lines(JournalReader(journal), secrets, origin)))


class _Secrets:
    """What must not stand anywhere in the copy."""

    def __init__(self) -> None:
        self._serials: set[str] = set()
        self._customer = ""

    def take(self, event: AnyEvent) -> None:
        """Note the names that one event gives away."""
        if isinstance(event, RunOpened) and event.order is not None:
            self._customer = event.order.customer.strip()
        if isinstance(event, InventoryTaken):
            serials = (drive.serial for drive in event.inventory.storage.drives)
            self._serials |= {serial for serial in serials if serial}

    def cleaned(self, value: Any, key: str = "") -> Any:
        """Return plain data without them."""
        if isinstance(value, dict):
            return {name: self.cleaned(item, name) for name, item in value.items()}
        if isinstance(value, list):
            return [self.cleaned(item, key) for item in value]
        return self._text(value, key) if isinstance(value, str) else value

    def _text(self, text: str, key: str) -> str:
        text = _ADDRESS.sub(LEFT_OUT, text)
        for serial in self._serials:
            if text == serial or len(serial) >= _SHORTEST:
                text = text.replace(serial, LEFT_OUT)
        if key == "customer" and text:
            return LEFT_OUT
        if key in _WORDS and self._customer:
            name = rf"(?<!\w){re.escape(self._customer)}(?!\w)"
            text = re.sub(name, LEFT_OUT, text, flags=re.IGNORECASE)
        return text


def _lines(reader: JournalReader, secrets: _Secrets, origin: str) -> Iterator[tuple[Line, bytes]]:
    for line in reader:
        if isinstance(line.event, Sweep):
            yield line, codec.to_json(line.event)
            continue
        data = codec.to_json(secrets.cleaned(msgspec.json.decode(codec.to_json(line.event))))
        event = _EVENTS.decode(data)
        if isinstance(event, RunOpened):
            event = msgspec.structs.replace(event, redacted_from=origin)
        yield line, codec.to_json(event)


def _chained(lines: Iterator[tuple[Line, bytes]]) -> Iterator[bytes]:
    prev = NO_LINE_BEFORE
    for line, data in lines:
        raw = encode_line(data, seq=line.seq, mono_ns=line.mono_ns, prev=prev)
        prev = line_hash(raw)
        yield raw + b"\n"
