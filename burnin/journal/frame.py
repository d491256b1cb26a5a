"""One journal line: event to bytes and back, with checksum and chain; damage is a value, not an exception."""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass
from typing import Annotated, Final

import msgspec

from burnin.records.events import AnyEvent

JOURNAL_FORMAT: Final = 1
"""Version of the line format."""

NO_LINE_BEFORE: Final = "0" * 64
"""What line 0 says about the line before it."""

LONGEST_LINE: Final = 10_000_000
"""Longest line the reader accepts, bytes; the longest line written in practice is the inventory, well below 1 MB."""

_CRC_MARK: Final = b',"crc":"'
_TRAILER: Final = len(_CRC_MARK) + 8 + 2
_LARGEST_NS: Final = 2**63 - 1
_UNREADABLE: Final = (msgspec.DecodeError, RecursionError, UnicodeDecodeError)


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """One good line of a journal.

    Attributes:
        seq: Line number, from 0.
        mono_ns: Monotonic clock of the machine when it happened, nanoseconds.
        event: What happened.
    """

    seq: int
    mono_ns: int
    event: AnyEvent


@dataclass(frozen=True, kw_only=True, slots=True)
class BadLine:
    """Why a line is not accepted.

    Attributes:
        field: The part of the line that is wrong: ``line``, ``crc``, ``seq``, ``prev``, ``t`` or a path in ``event``.
        found: What stands there.
        expected: What may stand there.
        intact: True when checksum and chain are right, so that the line was written like this.
    """

    field: str
    found: str
    expected: str
    intact: bool = False

    def __str__(self) -> str:
        return f"{self.field}: found {self.found}; expected {self.expected}"


class _Frame(msgspec.Struct, frozen=True):
    seq: Annotated[int, msgspec.Meta(ge=0, le=_LARGEST_NS)]
    t: Annotated[int, msgspec.Meta(ge=0, le=_LARGEST_NS)]
    prev: str
    event: AnyEvent
    crc: str


class _Envelope(msgspec.Struct, frozen=True):
    seq: int
    prev: str


_FRAMES: Final = msgspec.json.Decoder(_Frame)
_ENVELOPES: Final = msgspec.json.Decoder(_Envelope)


def encode_line(event_json: bytes, *, seq: int, mono_ns: int, prev: str) -> bytes:
    """Return the line without its newline; ``prev`` is the SHA-256 of the line before, as hex."""
    body = b'{"seq":%d,"t":%d,"prev":"%b","event":%b' % (seq, mono_ns, prev.encode("ascii"), event_json)
    return b'%b,"crc":"%08x"}' % (body, zlib.crc32(body))


def line_hash(raw: bytes) -> str:
    """Return the SHA-256 of a line's bytes without the newline, as 64 hex digits."""
    return hashlib.sha256(raw).hexdigest()


def decode_line(raw: bytes, *, seq: int, prev: str) -> Line | BadLine:
    """Return the line, or why it is none.

    Args:
        raw: The line's bytes without the newline.
        seq: The number it must have.
        prev: The hash it must name.
    """
    body = raw[:-_TRAILER]
    if raw[-_TRAILER:] != b',"crc":"%08x"}' % zlib.crc32(body):
        return _explain_checksum(raw)
    try:
        frame = _FRAMES.decode(raw)
    except _UNREADABLE as error:
        return _explain_content(raw, error, seq=seq, prev=prev)
    if frame.seq != seq or frame.prev != prev:
        return _explain_chain(frame.seq, frame.prev, seq=seq, prev=prev)
    return Line(seq=seq, mono_ns=frame.t, event=frame.event)


def decode_unchained(raw: bytes) -> Line | BadLine:
    """Return a line whose checksum is right, wherever it may belong, or why it is none."""
    try:
        envelope = _ENVELOPES.decode(raw)
    except _UNREADABLE as error:
        return _explain_content(raw, error, seq=-1, prev="")
    return decode_line(raw, seq=envelope.seq, prev=envelope.prev)


def _explain_checksum(raw: bytes) -> BadLine:
    """Say what is wrong with a line whose end is no checksum over its beginning."""
    if raw[-_TRAILER:-10] != _CRC_MARK or raw[-2:] != b'"}':
        shown = raw[-_TRAILER:].decode("utf-8", "backslashreplace")
        return BadLine(
            field="line", found=f"an end of {shown!r}", expected='an end of ,"crc":"(8 hex digits)"}'
        )
    written = raw[-10:-2].decode("utf-8", "backslashreplace")
    return BadLine(
        field="crc",
        found=repr(written),
        expected=f"'{zlib.crc32(raw[:-_TRAILER]):08x}', as the bytes before it give",
    )


def _explain_content(raw: bytes, error: Exception, *, seq: int, prev: str) -> BadLine:
    """Say what is wrong with a line whose checksum is right but whose content is no event."""
    place, reason = "line", str(error)
    if isinstance(error, RecursionError):
        reason = "nesting too deep"
    elif " - at `$" in reason:
        reason, _, path = reason.rpartition(" - at `$")
        place = path.rstrip("`").lstrip(".") or "line"
    try:
        envelope = _ENVELOPES.decode(raw)
        intact = envelope.seq == seq and envelope.prev == prev
    except _UNREADABLE:
        intact = False
    return BadLine(field=place, found=reason, expected="a line this version can read", intact=intact)


def _explain_chain(found_seq: int, found_prev: str, *, seq: int, prev: str) -> BadLine:
    """Say what is wrong with a line that does not follow the one before."""
    if found_seq != seq:
        return BadLine(field="seq", found=str(found_seq), expected=str(seq))
    return BadLine(field="prev", found=found_prev[:80], expected=f"{prev}, the hash of the line before")
