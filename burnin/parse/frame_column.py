"""Which column of a log holds the frame times, and in which unit: from the user, its name, or its values."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from burnin.errors import ParseError
from burnin.parse.delimited import SAMPLE_BYTES, Layout
from burnin.parse.delimited_fields import Floats
from burnin.parse.delimited_rows import read_columns

WHAT: Final = "frame-time log"
MS_PER_UNIT: Final = {"s": 1e3, "ms": 1.0, "us": 1e-3, "ns": 1e-6}
TYPICAL_MS: Final = (1.0, 200.0)
"""Median frame times from which an unnamed unit is told: 1000 to 5 frames per second. The units are a factor of 1000
apart and this span is a factor of 200, so at most one unit fits."""
BELIEVABLE_MS: Final = (0.1, 5000.0)
"""Median frame times that are believed where the name of the column gives the unit."""
MIN_RISING_ROWS: Final = 5
"""Rows from which rising values are taken for presentation times."""
RISING_SHARE: Final = 0.95
"""Share of steps upward from which values are taken for presentation times (some rows may be out of order)."""
NAMED_RISING_SHARE: Final = 0.6
"""The same where the name speaks of presentation times; frame times go up in about half of the steps."""
MANY_STEPS: Final = 20
"""Steps from which that share means anything; with fewer, all of them must go up."""
_UNIT_WORDS: Final = {
    "s": {"s", "sec", "secs", "second", "seconds"},
    "ms": {"ms", "msec", "msecs", "millisecond", "milliseconds", "millis"},
    "us": {"us", "\u00b5s", "\u03bcs", "usec", "usecs", "microsecond", "microseconds", "micros"},
    "ns": {"ns", "nsec", "nsecs", "nanosecond", "nanoseconds", "nanos"},
}
_FRAME_WORDS: Final = {"frametime", "frametimes", "interval", "delta", "dt"}
_SPAN_WORDS: Final = {"time", "times", "duration", "period"}
_PRESENTATION_WORDS: Final = {
    "present",
    "presented",
    "presentation",
    "displayed",
    "shown",
    "timestamp",
    "time",
}
_PART_WORDS: Final = {"cpu", "gpu", "render", "busy", "wait", "temperature", "temp"}
"""Words that mark the time of a part of a frame, or no time at all."""


class Kind(StrEnum):
    """What the column holds."""

    FRAME = "frame times"
    PRESENTATION = "presentation times"


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What the user says about a log; None leaves it to be told from the text.

    Attributes:
        column: Name of the column, or its number from 1.
        kind: Whether it holds frame times or presentation times.
        unit: `s`, `ms`, `us` or `ns`.
        latency: Name or number of the latency column.
        decimal: `.` or `,`.
    """

    column: str | None = None
    kind: Kind | None = None
    unit: str | None = None
    latency: str | None = None
    decimal: str | None = None


@dataclass(frozen=True, kw_only=True)
class Found:
    """The column to read.

    Attributes:
        column: Its place from 0.
        name: Its name, or `column n`.
        kind: What it holds.
        unit: Its unit.
        latency: Place of the latency column from 0, None where there is none.
        latency_unit: Unit of that column.
        notes: What was decided without the user saying so.
    """

    column: int
    name: str
    kind: Kind
    unit: str
    latency: int | None
    latency_unit: str
    notes: tuple[str, ...]


def find_column(text: bytes, layout: Layout, choice: Choice) -> Found:
    """Find the column of frame times or presentation times.

    Raises:
        ParseError: No column, or more than one, can be it; or its unit cannot be told.
    """
    if choice.unit is not None and choice.unit not in MS_PER_UNIT:
        raise ParseError(WHAT, field="unit", found=repr(choice.unit), expected="s, ms, us or ns")
    sample = _sample(text, layout)
    column = _column(layout, sample, choice)
    latency = _latency(layout, choice.latency, besides=column)
    words = _words(_name(layout, column))
    kind = choice.kind or _kind(words, sample[column])
    unit = choice.unit or _unit(_name(layout, column), words, _spans(kind, sample[column]))
    notes = [f"read {_name(layout, column)} as {kind} in {unit}"]
    latency_unit = "ms"
    if latency is not None:
        stated = _stated_unit(_words(_name(layout, latency)))
        latency_unit = stated or "ms"
        source = "as its name says" if stated else "taken, its name gives no unit"
        notes.append(f"latency is read from {_name(layout, latency)}, in {latency_unit} ({source})")
    return Found(
        column=column,
        name=_name(layout, column),
        kind=kind,
        unit=unit,
        latency=latency,
        latency_unit=latency_unit,
        notes=tuple(notes),
    )


def _sample(text: bytes, layout: Layout) -> tuple[Floats, ...]:
    """Return the numbers of all columns in the first rows."""
    head = text[layout.start : layout.start + SAMPLE_BYTES]
    if layout.start + SAMPLE_BYTES < len(text) and b"\n" in head:
        head = head[: head.rindex(b"\n")]
    return read_columns(head, replace(layout, start=0), tuple(range(layout.columns))).values


def _name(layout: Layout, column: int) -> str:
    """Return how a column is called in messages."""
    return repr(layout.names[column]) if layout.names else f"column {column + 1}"


def _words(name: str) -> set[str]:
    """Return the words of a column's name in lower case: `FrameTime (ms)` gives frame, time, ms."""
    return {word.lower() for word in re.findall(r"[A-Z]?[a-z\u00b5\u03bc]+|[A-Z]+(?![a-z])", name)}


def _refuse_column(layout: Layout, found: str) -> ParseError:
    """Return the error that lists the columns."""
    names = ", ".join(_name(layout, column) for column in range(min(layout.columns, 20)))
    return ParseError(WHAT, field="column", found=found, expected=f"the name or number of one of: {names}")


def _named(layout: Layout, wanted: str) -> int:
    """Return the column the user named; capitals and blanks around it do not matter."""
    names = [name.strip().casefold() for name in layout.names]
    if names.count(wanted.strip().casefold()) == 1:
        return names.index(wanted.strip().casefold())
    if wanted.isascii() and wanted.isdigit() and 1 <= int(wanted[:9]) <= layout.columns:
        return int(wanted[:9]) - 1
    raise _refuse_column(layout, repr(wanted))


def _latency(layout: Layout, wanted: str | None, *, besides: int) -> int | None:
    """Return the latency column: the one named, else the only one with that word in its name."""
    if wanted is not None:
        return _named(layout, wanted)
    named = [at for at, name in enumerate(layout.names) if "latency" in name.casefold() and at != besides]
    return named[0] if len(named) == 1 else None


def _column(layout: Layout, sample: tuple[Floats, ...], choice: Choice) -> int:
    """Return the column the user named, else the only one that can hold frame times: by name, then by values."""
    if choice.column is not None:
        return _named(layout, choice.column)
    if layout.columns == 1 and (choice.unit or choice.kind):
        return 0
    words = [_words(name) for name in layout.names]
    usable = [at for at, column in enumerate(words) if not column & _PART_WORDS and "latency" not in column]
    for test in (_names_frame_times, _names_presentation_times):
        named = [at for at in usable if test(words[at])]
        if len(named) == 1:
            return named[0]
        if named:
            raise _refuse_column(layout, f"{len(named)} columns whose names fit")
    candidates = range(layout.columns) if not words else usable
    frames = [at for at in candidates if _could_be(sample[at], rising=False)]
    times = [at for at in candidates if _could_be(sample[at], rising=True)]
    for fitting in (frames, times):
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            raise _refuse_column(layout, f"{len(fitting)} columns whose values could be frame times")
    raise _refuse_column(layout, "no column whose values could be frame times")


def _names_frame_times(words: set[str]) -> bool:
    """Say whether a name speaks of frame times."""
    return bool(words & _FRAME_WORDS) or ("frame" in words and bool(words & _SPAN_WORDS))


def _names_presentation_times(words: set[str]) -> bool:
    """Say whether a name speaks of presentation times."""
    return bool(words & _PRESENTATION_WORDS)


def _steps(values: Floats) -> Floats:
    """Return the steps between neighbouring numbers, those across a missing one left out."""
    steps = np.diff(values)
    return steps[~np.isnan(steps)]


def _rises(values: Floats) -> bool:
    """Say whether values rise from row to row as times do."""
    steps = _steps(values)
    return steps.size >= MIN_RISING_ROWS - 1 and float((steps > 0).mean()) >= RISING_SHARE


def _could_be(values: Floats, *, rising: bool) -> bool:
    """Say whether values look like presentation times (rising) or frame times; a plain row number is neither."""
    if _rises(values) != rising:
        return False
    steps = _steps(values)
    if rising and bool((steps == 1).all()):
        return False
    spans = steps[steps > 0] if rising else values[~np.isnan(values)]
    return spans.size > 0 and float(spans.min()) >= 0 and _typical_unit(spans) is not None


def _kind(words: set[str], values: Floats) -> Kind:
    """Return what a column holds: rising values are presentation times, whatever the name says."""
    if _rises(values):
        return Kind.PRESENTATION
    named = _names_presentation_times(words) and not _names_frame_times(words)
    steps = _steps(values)
    needed = NAMED_RISING_SHARE if steps.size >= MANY_STEPS else 1.0
    mostly = steps.size > 0 and float((steps > 0).mean()) >= needed
    return Kind.PRESENTATION if named and mostly else Kind.FRAME


def _spans(kind: Kind, values: Floats) -> Floats:
    """Return the frame times of the sample that are above zero, in the column's unit."""
    spans = values[~np.isnan(values)] if kind is Kind.FRAME else _steps(values)
    return spans[spans > 0]


def _stated_unit(words: set[str]) -> str | None:
    """Return the unit in a column's name."""
    stated = [unit for unit, names in _UNIT_WORDS.items() if words & names]
    return stated[0] if len(stated) == 1 else None


def _typical_unit(spans: Floats) -> str | None:
    """Return the unit in which the median is a typical frame time."""
    median = float(np.median(spans))
    low, high = TYPICAL_MS
    return next((unit for unit, scale in MS_PER_UNIT.items() if low <= median * scale <= high), None)


def _unit(name: str, words: set[str], spans: Floats) -> str:
    """Return the unit of a column from its name, else from its values.

    Raises:
        ParseError: There is no value above zero, the name's unit cannot be right, or no unit fits.
    """
    if not spans.size:
        raise ParseError(
            WHAT, field=name, found="no frame time above zero in the first rows", expected="frame times"
        )
    stated, typical = _stated_unit(words), _typical_unit(spans)
    median = float(np.median(spans))
    if stated is None and typical is not None:
        return typical
    low, high = BELIEVABLE_MS
    if stated is not None and low <= median * MS_PER_UNIT[stated] <= high:
        return stated
    unit = "no unit" if stated is None else f"the unit {stated}"
    found = f"{unit} in the name and a median of {median:.6g}"
    raise ParseError(WHAT, field=f"unit of {name}", found=found, expected="frame times; state unit or column")
