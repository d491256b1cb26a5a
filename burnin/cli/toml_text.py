"""A record as the TOML file it could have come from (TOML 1.0): what a bundle shows of plan, order and checklist."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final

import msgspec

from burnin.records.base import Record

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES: Final = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def toml_text(record: Record, *, without: tuple[str, ...] = ()) -> bytes:
    """Return a record as TOML, fields at their default left out; ``without`` names fields a file does not have."""
    table = {key: value for key, value in msgspec.to_builtins(record).items() if key not in without}
    return ("\n".join(_table(table, ())) + "\n").encode("utf-8", "replace")


def _table(table: dict[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    """Yield the lines of a table: its own values first, then the tables in it."""
    for key, value in table.items():
        if value is not None and not _is_tables(value) and not isinstance(value, dict):
            yield f"{_key(key)} = {_value(value)}"
    for key, value in table.items():
        inner = (*path, key)
        name = ".".join(map(_key, inner))
        if isinstance(value, dict):
            yield from ("", f"[{name}]", *_table(value, inner))
        elif _is_tables(value):
            for each in value:
                yield from ("", f"[[{name}]]", *_table(each, inner))


def _is_tables(value: object) -> bool:
    return isinstance(value, list | tuple) and bool(value) and all(isinstance(each, dict) for each in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _quoted(key)


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return _quoted(value)
        case list() | tuple():
            return f"[{', '.join(map(_value, value))}]"
        case _:
            return repr(value)


def _quoted(text: str) -> str:
    escaped = "".join(
        _ESCAPES.get(char) or (f"\\u{ord(char):04X}" if ord(char) < 32 or ord(char) == 127 else char)
        for char in text
    )
    return f'"{escaped}"'
