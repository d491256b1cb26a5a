"""Figures as people read them: rounded for the eye, with the exact value kept beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Final

from burnin.records.events import Anchor
from burnin.report.words import shown_text

_DECIMALS: Final = {
    "degC": 1,
    "K": 1,
    "rpm": 0,
    "V": 3,
    "A": 2,
    "W": 1,
    "MHz": 0,
    "%": 1,
    "GiB": 2,
    "GB": 1,
    "count": 0,
    "dB": 1,
    "mm": 1,
    "s": 1,
    "ms": 1,
}
_SIGNS: Final = {"degC": "\u00b0C", "count": ""}
_MOST_DECIMALS: Final = 6
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
NONE: Final = "\u2013"


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A figure on the page.

    Attributes:
        text: Rounded, for reading; a dash where there is none.
        exact: The value itself in the shortest form that reads back the same; empty where there is none.
    """

    text: str
    exact: str = ""


def unit_sign(unit: str) -> str:
    """Return the unit as printed: ``degC`` as the degree sign and C, a count without a unit."""
    return _SIGNS.get(unit, shown_text(unit))


def decimals_for(unit: str, *values: float | None) -> int | None:
    """Return how many decimals tell ``values`` apart from each other and from zero.

    A figure just beyond its limit must not round to the limit: decimals are added until different values look
    different, up to six. None stands for units without a usual number of decimals.
    """
    start = _DECIMALS.get(unit)
    if start is None:
        return None
    different = {value + 0.0 for value in values if value is not None and math.isfinite(value)} | {0.0}
    for decimals in range(start, _MOST_DECIMALS):
        if len({rounded(value, decimals) for value in different}) == len(different):
            return decimals
    return _MOST_DECIMALS


def rounded(value: float, decimals: int | None) -> str:
    """Return ``value`` with ``decimals``, or with four significant digits where that is None."""
    if not math.isfinite(value):
        return "not a number"
    if decimals is None:
        return significant(value)
    text = f"{value:.{decimals}f}"
    return text.replace("-", "\u2212") if float(text) else text.lstrip("-")


def significant(value: float) -> str:
    """Return ``value`` with four significant digits, no exponent between 0.001 and 10 million, no trailing zeros."""
    if value == 0:
        return "0"
    if not 1e-3 <= abs(value) < 1e7:
        return f"{value:.3e}".replace("-", "\u2212")
    decimals = max(0, 3 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "\u2212")


def shown(value: float | None, decimals: int | None) -> Shown:
    """Return a figure for the page."""
    if value is None or math.isnan(value):
        return Shown(text=NONE)
    return Shown(text=grouped(rounded(value, decimals)), exact=repr(float(value)))


def grouped(text: str) -> str:
    """Return a number's text with narrow spaces between groups of three digits, from five digits on (ISO 80000-1, 7.3.1)."""
    whole, point, rest = text.partition(".")
    if not whole.lstrip("\u2212").isdigit() or len(whole.lstrip("\u2212")) < 5:
        return text
    return (
        f"{int(whole.replace(chr(0x2212), '-')):,}".replace(",", "\u202f").replace("-", "\u2212")
        + point
        + rest
    )


def figure(value: float | None, unit: str) -> str:
    """Return value and unit as one piece of text, ``not measured`` where there is no value."""
    if value is None or math.isnan(value):
        return "not measured"
    return f"{rounded(value, decimals_for(unit, value))} {unit_sign(unit)}".rstrip()


def data_size(size_bytes: int | None) -> str:
    """Return a size in GiB or MiB."""
    if size_bytes is None:
        return "size unknown"
    if size_bytes >= 1 << 30:
        return f"{significant(size_bytes / (1 << 30))} GiB"
    return f"{significant(size_bytes / (1 << 20))} MiB"


def drive_size(size_bytes: int) -> str:
    """Return a drive's capacity in the units makers print: GB and TB, powers of ten."""
    if size_bytes >= 10**12:
        return f"{significant(size_bytes / 10**12)} TB"
    return f"{significant(size_bytes / 10**9)} GB"


def link_speed(speed_mbit_s: float) -> str:
    """Return a link speed in Mbit/s or Gbit/s."""
    return (
        f"{significant(speed_mbit_s / 1000)} Gbit/s"
        if speed_mbit_s >= 1000
        else f"{significant(speed_mbit_s)} Mbit/s"
    )


def span(span_s: float) -> str:
    """Return a length of time in words: seconds below two minutes, then minutes, then hours and minutes."""
    if span_s < 119.5:
        return f"{significant(round(span_s, 1))} s"
    minutes = round(span_s / 60)
    if minutes < 120:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def local_time(anchor: Anchor, t_ns: int = 0) -> datetime:
    """Return the local time of the place of test, ``t_ns`` after ``anchor``, with its offset from UTC."""
    zone = timezone(timedelta(seconds=_usable_offset(anchor.utc_offset_s)))
    microseconds = (anchor.wall_ns + t_ns) // 1000
    try:
        return (_EPOCH + timedelta(microseconds=microseconds)).astimezone(zone)
    except OverflowError:
        return _EPOCH.astimezone(zone)


def _usable_offset(offset_s: int) -> int:
    minutes = round(offset_s / 60)
    return 60 * max(-1439, min(1439, minutes))


def clock(moment: datetime) -> str:
    """Return a moment as ``2026-05-28 22:26:40 +02:00``."""
    return f"{moment:%Y-%m-%d %H:%M:%S} {offset(moment)}"


def offset(moment: datetime) -> str:
    """Return the offset of a moment from UTC as ``+02:00``."""
    minutes = round((moment.utcoffset() or timedelta()).total_seconds() / 60)
    sign = "\u2212" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
