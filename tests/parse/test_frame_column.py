"""Choice of the column; whole logs are tested in `test_frame_log`."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.delimited import read_layout
from burnin.parse.frame_column import Choice, Found, Kind, find_column

NOBODY_SAID = Choice()


def found(text: bytes, choice: Choice = NOBODY_SAID) -> Found:
    return find_column(text, read_layout(text), choice)


def rows(*names: str, values: tuple[float, ...] = (11.1, 11.3, 11.0, 11.2)) -> bytes:
    lines = [",".join(names), *(",".join(f"{value + at}" for at in range(len(names))) for value in values)]
    return "\n".join(lines).encode()


@pytest.mark.parametrize(
    ("names", "wanted"),
    [
        (("frame", "frame time"), 1),
        (("gpu frame time", "frame duration"), 1),
        (("render delta", "delta"), 1),
        (("time", "dt"), 1),
        (("temperature", "shown"), 1),
        (("latency time", "timestamp"), 1),
        (("a", "frameTime"), 1),
    ],
)
def test_names_lead_to_the_column(names: tuple[str, ...], wanted: int) -> None:
    assert found(rows(*names)).column == wanted


def test_a_name_that_fits_both_is_settled_by_the_values() -> None:
    text = b"time\n" + b"".join(b"11.%d\n" % (n * 3 % 5) for n in range(9))
    assert found(text).kind is Kind.FRAME
    assert found(b"time\n0.0\n11.1\n22.2\n").kind is Kind.PRESENTATION
    assert found(b"frame time\n10.0\n11.1\n22.2\n").kind is Kind.FRAME


@pytest.mark.parametrize(
    ("name", "unit", "value"),
    [
        ("dt [s]", "s", 0.011),
        ("dt (msec)", "ms", 11.0),
        ("dt_us", "us", 11000.0),
        ("dt in \u03bcs", "us", 11000.0),
        ("dtNs", "ns", 11e6),
        ("dt s or ms", "ms", 11.0),  # two units in one name say nothing; the values do
    ],
)
def test_units_in_names(name: str, unit: str, value: float) -> None:
    assert found(rows(name, values=(value, value * 1.1, value))).unit == unit


def test_what_was_decided_is_said() -> None:
    choice = found(rows("frame time", "latency us"))
    assert choice.kind is Kind.FRAME
    assert (choice.latency, choice.latency_unit) == (1, "us")
    assert choice.notes == (
        "read 'frame time' as frame times in ms",
        "latency is read from 'latency us', in us (as its name says)",
    )


def test_two_latency_columns_are_none() -> None:
    assert found(rows("frame time", "latency a", "latency b")).latency is None


def test_the_error_lists_the_columns() -> None:
    with pytest.raises(ParseError, match="one of: 'a', 'b'"):
        found(rows("a", "b"))
    with pytest.raises(ParseError, match="one of: column 1, column 2"):
        found(b"1.5,2.5\n1.25,2.5\n", Choice(column="9"))
