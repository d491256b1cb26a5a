"""Checks plain data (from TOML) against a record's shape and reports every problem at once."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final

from msgspec import inspect

from burnin.errors import Problem

_SIMPLE: Final[dict[type, tuple[type, str]]] = {
    inspect.BoolType: (bool, "true or false"),
    inspect.StrType: (str, "text"),
    inspect.NoneType: (type(None), "nothing"),
}


def problems_of(value: Any, kind: inspect.Type, place: str = "") -> Iterator[Problem]:
    """Yield every way in which ``value`` does not fit ``kind``.

    Args:
        value: Plain data: dict, list, str, int, float, bool or a date.
        kind: The shape, from ``msgspec.inspect.type_info``.
        place: Key path of the value, for the messages.
    """
    if isinstance(kind, inspect.StructType):
        yield from _struct(value, kind, place)
    elif isinstance(kind, inspect.VarTupleType):
        yield from _list(value, kind, place)
    elif isinstance(kind, inspect.DictType):
        yield from _dict(value, kind, place)
    elif isinstance(kind, inspect.UnionType):
        yield from _union(value, kind, place)
    elif not _fits(value, kind):
        yield Problem(place=place, found=told(value), expected=wanted(kind))


def told(value: Any) -> str:
    """Return a value as people would call it, with its type."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text '{value if len(value) <= 40 else value[:37] + '...'}'"
    if isinstance(value, int | float):
        return f"the number {value}"
    if isinstance(value, dict):
        return "a table" if value else "an empty table"
    if isinstance(value, list):
        return "a list" if value else "an empty list"
    return f"a {type(value).__name__}"


def wanted(kind: inspect.Type) -> str:
    """Return a shape in words."""
    if isinstance(kind, inspect.LiteralType):
        return _choices(kind.values)
    if isinstance(kind, inspect.UnionType):
        words = [wanted(each) for each in kind.types if not isinstance(each, inspect.NoneType)]
        return " or ".join(dict.fromkeys(words))
    if isinstance(kind, inspect.IntType):
        return "a whole number"
    if isinstance(kind, inspect.FloatType):
        return "a number"
    if isinstance(kind, inspect.StructType | inspect.DictType):
        return "a table"
    if isinstance(kind, inspect.VarTupleType):
        return f"a list of {wanted(kind.item_type)}"
    return _SIMPLE[type(kind)][1]


def _choices(values: tuple[Any, ...]) -> str:
    words = [f"'{each}'" if isinstance(each, str) else str(each) for each in values]
    return words[0] if len(words) == 1 else "one of " + ", ".join(words)


def _fits(value: Any, kind: inspect.Type) -> bool:
    if isinstance(kind, inspect.LiteralType):
        return any(value == each and type(value) is type(each) for each in kind.values)
    if isinstance(kind, inspect.IntType):
        return isinstance(value, int) and not isinstance(value, bool)
    if isinstance(kind, inspect.FloatType):
        return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return isinstance(value, _SIMPLE[type(kind)][0])


def _struct(value: Any, kind: inspect.StructType, place: str) -> Iterator[Problem]:
    if not isinstance(value, dict):
        yield Problem(place=place, found=told(value), expected="a table")
        return
    fields = {field.encode_name: field for field in kind.fields}
    for key, each in value.items():
        if key in fields:
            yield from problems_of(each, fields[key].type, _join(place, key))
        else:
            yield Problem(
                place=_join(place, key),
                found="an unknown key",
                expected="one of " + ", ".join(sorted(fields)),
            )
    for key, field in fields.items():
        if field.required and key not in value:
            yield Problem(place=_join(place, key), found="nothing", expected=wanted(field.type))


def _list(value: Any, kind: inspect.VarTupleType, place: str) -> Iterator[Problem]:
    if not isinstance(value, list):
        yield Problem(place=place, found=told(value), expected=wanted(kind))
        return
    for number, each in enumerate(value, start=1):
        yield from problems_of(each, kind.item_type, f"{place}[{number}]")


def _dict(value: Any, kind: inspect.DictType, place: str) -> Iterator[Problem]:
    if not isinstance(value, dict):
        yield Problem(place=place, found=told(value), expected="a table")
        return
    for key, each in value.items():
        yield from problems_of(each, kind.value_type, _join(place, key))


def _union(value: Any, kind: inspect.UnionType, place: str) -> Iterator[Problem]:
    best: list[Problem] | None = None
    for each in kind.types:
        found = list(problems_of(value, each, place))
        if not found:
            return
        if isinstance(value, list) and isinstance(each, inspect.VarTupleType):
            best = found
    yield from best or [Problem(place=place, found=told(value), expected=wanted(kind))]


def _join(place: str, key: str) -> str:
    return f"{place}.{key}" if place else key
