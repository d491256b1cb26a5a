"""Records to JSON and back; the only place that knows how."""

from __future__ import annotations

import hashlib
from typing import TypeVar

import msgspec

T = TypeVar("T")

_ENCODER = msgspec.json.Encoder(order="deterministic")


def to_json(value: object) -> bytes:
    """Return compact JSON with keys in a fixed order; the same value gives the same bytes everywhere."""
    return _ENCODER.encode(value)


def to_pretty_json(value: object) -> bytes:
    """Return indented JSON ending in a newline, keys in a fixed order."""
    return msgspec.json.format(_ENCODER.encode(value), indent=2) + b"\n"


def from_json(data: bytes, kind: type[T]) -> T:
    """Return the record of type ``kind`` that ``data`` holds.

    Raises:
        msgspec.ValidationError: the JSON does not fit the record; the message names the key path.
        msgspec.DecodeError: the bytes are no JSON.
    """
    return msgspec.json.decode(data, type=kind)


def sha256_hex(data: bytes) -> str:
    """Return the SHA-256 digest of ``data`` as 64 hex digits."""
    return hashlib.sha256(data).hexdigest()
