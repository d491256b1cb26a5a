"""Says exactly what was changed: the path in a JSON document, the byte in a line whose hash is known."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from itertools import islice
from typing import Any, Final

import msgspec

from burnin.errors import Problem

_MOST: Final = 50
_LONGEST_SEARCHED: Final = 4096
_ABSENT: Final = "nothing"


def json_differences(found: bytes, expected: bytes) -> tuple[Problem, ...]:
    """Return what differs between two JSON documents, by key path, the first 50 places.

    White space and the order of keys do not count here; a document that is no JSON differs as a whole.
    """
    try:
        left, right = msgspec.json.decode(found), msgspec.json.decode(expected)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        return (Problem(place="document", found=str(error), expected="JSON"),)
    return tuple(islice(_walk(left, right, ""), _MOST))


def _walk(found: Any, expected: Any, path: str) -> Iterator[Problem]:
    if isinstance(found, dict) and isinstance(expected, dict):
        for key in sorted(found.keys() | expected.keys()):
            place = f"{path}.{key}" if path else key
            yield from _pair(found, expected, key, place)
    elif isinstance(found, list) and isinstance(expected, list):
        for index in range(max(len(found), len(expected))):
            pair = (dict(enumerate(found)), dict(enumerate(expected)))
            yield from _pair(*pair, index, f"{path}[{index}]")
    elif type(found) is not type(expected) or found != expected:
        yield Problem(place=path or "document", found=_shown(found), expected=_shown(expected))


def _pair(found: dict[Any, Any], expected: dict[Any, Any], key: Any, place: str) -> Iterator[Problem]:
    if key not in found:
        yield Problem(place=place, found=_ABSENT, expected=_shown(expected[key]))
    elif key not in expected:
        yield Problem(place=place, found=_shown(found[key]), expected=_ABSENT)
    else:
        yield from _walk(found[key], expected[key], place)


def _shown(value: Any) -> str:
    text = msgspec.json.encode(value).decode("utf-8")
    return text if len(text) <= 120 else text[:117] + "..."


def changed_byte(raw: bytes, sha256_hex: str) -> tuple[int, int] | None:
    """Return offset and original value of the one byte that was changed, None when it was not exactly one.

    Args:
        raw: The bytes as they are now; only up to 4096 are searched (a million hashes, about a second).
        sha256_hex: Digest of the bytes as they were.
    """
    if len(raw) > _LONGEST_SEARCHED:
        return None
    goal = bytes.fromhex(sha256_hex)
    for offset in range(len(raw)):
        before = hashlib.sha256(raw[:offset])
        rest = raw[offset + 1 :]
        for value in range(256):
            trial = before.copy()
            trial.update(bytes((value,)) + rest)
            if trial.digest() == goal:
                return offset, value
    return None


def field_at(raw: bytes, offset: int) -> str:
    """Return the part of a journal line in which a byte lies: ``seq``, ``t``, ``prev``, ``event`` or ``crc``."""
    marks = [(raw.find(b'"%b":' % name), name.decode()) for name in (b"seq", b"t", b"prev", b"event")]
    marks.append((raw.rfind(b'"crc":'), "crc"))
    before = [name for start, name in marks if 0 <= start <= offset]
    return before[-1] if before else "line"
