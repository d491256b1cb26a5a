"""An event as the bytes of its journal line: short numbers in sweeps, and nothing that cannot be read back."""

from __future__ import annotations

import math
from typing import Any, Final

import msgspec

from burnin.records import codec
from burnin.records.events import AnyEvent, Remark, Sweep, WorkDone

_EVENTS: Final = msgspec.json.Decoder(AnyEvent)
_LARGEST_INT: Final = 2**63 - 1
_LARGEST_VALUE: Final = 3.4e38


def event_bytes(event: AnyEvent) -> bytes:
    """Return the event as JSON that is sure to be read back as an event.

    What JSON cannot hold (NaN, infinity, integers beyond 64 bits, broken Unicode) becomes text where the event
    allows text, and null where it allows null. Where it allows neither, the whole event becomes a remark.
    """
    event = short_sweep(event) if isinstance(event, Sweep) else event
    try:
        data = codec.to_json(event)
        _EVENTS.decode(data)
    except (msgspec.MsgspecError, OverflowError, UnicodeError, RecursionError):
        return _made_writable(event)
    return data


def short_sweep(sweep: Sweep) -> Sweep:
    """Return the sweep with numbers as short as sensors deserve.

    Values from 1,000 up are rounded to whole numbers, smaller ones to 5 significant digits, so that the relative
    error is at most 0.0005; whole numbers are kept exactly and written without a decimal point.
    """
    return Sweep(v=tuple(map(_short, sweep.v)), bad=sweep.bad, w=tuple(map(_finite, sweep.w)))


def _short(value: float | None) -> float | None:
    if value is None or not abs(value) < _LARGEST_VALUE:
        return None
    if abs(value) >= 1000 or value == int(value):
        return round(value)
    rounded = float(f"{value:.5g}")
    return int(rounded) if rounded == int(rounded) else rounded


def _finite(done: WorkDone) -> WorkDone:
    if math.isfinite(done.amount):
        return done
    return msgspec.structs.replace(done, amount=0.0)


def _made_writable(event: AnyEvent) -> bytes:
    plain = _writable(msgspec.structs.asdict(event) | {"kind": event.__struct_config__.tag})
    data = codec.to_json(plain)
    try:
        _EVENTS.decode(data)
    except (msgspec.MsgspecError, RecursionError):
        return codec.to_json(Remark(text=f"An event could not be written as it was: {data[:20000].decode()}"))
    return data


def _writable(value: Any, depth: int = 0) -> Any:
    """Return ``value`` with everything JSON cannot hold put in words."""
    if depth > 20:
        return "nested too deep"
    if isinstance(value, msgspec.Struct):
        value = msgspec.structs.asdict(value)
    if isinstance(value, dict):
        return {str(_scalar(key)): _writable(item, depth + 1) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_writable(item, depth + 1) for item in value]
    return _scalar(value)


def _scalar(value: Any) -> Any:
    match value:
        case str():
            return value.encode("utf-8", "backslashreplace").decode("utf-8")
        case int():
            return value if abs(value) <= _LARGEST_INT else hex(value)
        case float():
            return value if math.isfinite(value) else repr(value)
        case None:
            return None
        case _:
            return repr(value)
