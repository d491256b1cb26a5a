"""Text that tries to be more than text, put into every field of a run."""

from __future__ import annotations

import itertools
from dataclasses import replace

import msgspec

MARKUP = "</title></style></script><script>alert(1)</script><img src=x onerror=alert(1)>\"'&{{7*7}}{% raw %}"
TEXTS = {
    "markup": MARKUP,
    "turned": "\u202edrow\u202c \u2067abc \u200f\u061c",
    "long": "w" * 500,
    "emoji": "\U0001f469\u200d\U0001f469\u200d\U0001f467 \U0001f600",
    "hebrew": "\u05e9\u05dc\u05d5\u05dd 12 (\u05d0)",
    "control": "a\x00b\x1b[31mc\x07\r\n\td\x9b1m",
    "css": '"; } body { display: none } @import "//x"; \\',
    "format": "{0.__class__} {subject!r:>9999999} %s %n",
    "empty": "",
}
FIXED = {"criterion", "outcome", "how", "boot_id", "quality", "stage", "load_id"}


def poisoned(value, text, count):
    """Return the record with ``text`` in every field that can hold any text; ids stay unique."""
    if isinstance(value, msgspec.Struct):
        changes = {}
        for field in msgspec.structs.fields(value):
            old = getattr(value, field.name)
            if isinstance(old, str) and field.type in (str, str | None) and field.name not in FIXED:
                unique = field.name in {"id", "load_id", "line", "channel"}
                changes[field.name] = f"{text}{next(count)}" if unique else text
            elif isinstance(old, msgspec.Struct | tuple | dict):
                changes[field.name] = poisoned(old, text, count)
        return msgspec.structs.replace(value, **changes)
    if isinstance(value, tuple):
        return tuple(text if isinstance(item, str) else poisoned(item, text, count) for item in value)
    if isinstance(value, dict):
        return {f"{text}{key}": text if isinstance(item, str) else item for key, item in value.items()}
    return value


def poison(run, text):
    view, findings, verdict = run
    count = itertools.count()
    entries = tuple(replace(entry, event=poisoned(entry.event, text, count)) for entry in view.entries)
    opened = poisoned(view.opened, text, count)
    integrity = poisoned(view.integrity, text, count)
    return (
        replace(view, entries=entries, opened=opened, integrity=integrity),
        poisoned(findings, text, count),
        poisoned(verdict, text, count),
    )
