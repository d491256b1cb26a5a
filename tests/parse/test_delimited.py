"""Delimited text in every common shape, read back exactly or refused with one clear error."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from burnin.errors import ParseError
from burnin.parse import delimited, delimited_rows
from burnin.parse.delimited import plain_text, read_layout
from burnin.parse.delimited_rows import read_columns

NUMBERS = st.floats(-1e6, 1e6).map(lambda value: round(value, 3))
TABLES = st.integers(1, 5).flatmap(
    lambda width: st.lists(st.lists(NUMBERS, min_size=width, max_size=width), min_size=1, max_size=40)
)


def read_all(text: bytes, *, decimal: str | None = None) -> tuple[delimited.Layout, delimited_rows.Columns]:
    plain = plain_text(text)
    layout = read_layout(plain, decimal=decimal)
    return layout, read_columns(plain, layout, tuple(range(layout.columns)))


def written(table: list[list[float]], *, delimiter: str, decimal: str, ending: str = "\n") -> bytes:
    rows = (delimiter.join(f"{x:.3f}".replace(".", decimal) for x in row) for row in table)
    return (ending.join(rows) + ending).encode()


@given(
    TABLES,
    st.sampled_from(
        [(",", "."), (";", "."), ("\t", "."), (" ", "."), ("   ", "."), (";", ","), ("\t", ","), (" ", ",")]
    ),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.booleans(),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_any_common_shape_is_read_back_exactly(
    table: list[list[float]], shape: tuple[str, str], ending: str, named: bool, encoding: str
) -> None:
    delimiter, decimal = shape
    text = written(table, delimiter=delimiter, decimal=decimal, ending=ending).decode()
    names = [f"{'abcde'[at]}name" for at in range(len(table[0]))]
    if named:
        text = delimiter.join(names) + ending + text
    stated = decimal if len(table[0]) == 1 or decimal == "," else None
    layout, columns = read_all(text.encode(encoding), decimal=stated)
    assert layout.columns == len(table[0])
    assert layout.names == (tuple(names) if named else ())
    assert np.column_stack(columns.values).tolist() == table
    assert (columns.ragged, columns.not_numeric, columns.first_bad_line) == (0, 0, None)


@given(TABLES, st.sampled_from([b",", b";", b" ", b"\t"]), st.integers(1, 60))
def test_chunks_of_any_size_give_the_same(table: list[list[float]], delimiter: bytes, size: int) -> None:
    text = written(table, delimiter=delimiter.decode(), decimal=".")
    layout = read_layout(text, decimal=".")
    before = delimited_rows.CHUNK_BYTES
    try:
        delimited_rows.CHUNK_BYTES = size
        small = read_columns(text, layout, (0,))
    finally:
        delimited_rows.CHUNK_BYTES = before
    assert small.values[0].tolist() == [row[0] for row in table]


DIRT = st.sampled_from(
    ["", "   ", "# remark", "// remark", "% remark", "x;y", "1;2;3", "NA;1", "1_0;5", "nan;1", ";", "4"]
)


@given(st.lists(st.one_of(st.just("1.5;2.5"), DIRT), max_size=60))
def test_line_by_line_reading_counts_what_it_leaves_out(lines: list[str]) -> None:
    text = "\n".join(["0.5;0.25", "0.5;0.25", *lines, "7;8"]).encode()
    layout = delimited.Layout(delimiter=";", decimal=".", columns=2, names=(), start=0, start_line=1)
    columns = read_columns(text, layout, (0, 1))
    ragged = sum(line in {"1;2;3", "4"} for line in lines)
    bad = [line in {"x;y", "NA;1", "1_0;5", "nan;1", ";", "1;2;3", "4"} for line in lines]
    assert columns.ragged == ragged
    assert columns.not_numeric == sum(bad) - ragged
    assert columns.comments == sum("remark" in line for line in lines)
    assert columns.first_bad_line == (bad.index(True) + 3 if any(bad) else None)
    assert np.isfinite(columns.values[1]).sum() >= 3 + lines.count("1.5;2.5")


def test_bulk_and_line_by_line_reading_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(5)
    for delimiter in (",", ";", "\t", "  "):
        text = written(random.normal(11, 2, (300, 3)).tolist(), delimiter=delimiter, decimal=".")
        layout = read_layout(text)
        bulk = read_columns(text, layout, (2, 0))
        with monkeypatch.context() as patch:
            patch.setattr(delimited_rows._Reader, "_take_in_bulk", lambda *_: False)
            slow = read_columns(text, layout, (2, 0))
        assert [a.tolist() for a in bulk.values] == [a.tolist() for a in slow.values]


@pytest.mark.parametrize(
    ("text", "delimiter", "decimal", "names"),
    [
        ("16.67\n16.70\n", "\t", ".", ()),
        ("1,16.67\n2,16.70\n", ",", ".", ()),
        ("1;16,67\n2;16,70\n", ";", ",", ()),
        ("1\t16,67\n2\t16,70\n", "\t", ",", ()),
        ("1 16,67\n2 16,70\n", " ", ",", ()),
        ('"1","16,67"\n"2","16,70"\n', ",", ",", ()),
        ("frame_ms\n16,67\n16,70\n", ";", ",", ("frame_ms",)),
        ("# a b\n1 16.67\n2 16.70\n", " ", ".", ("a", "b")),
        ("Log of bench 3\n\na;b\n1;16.67\n2;16.70\n", ";", ".", ("a", "b")),
        ("\n\n1;16.67\n2;16.70\n", ";", ".", ()),
        ("a;b\n\n1;16.67\n2;16.70\n", ";", ".", ("a", "b")),
        ("Log of bench 3\n1;16.67\n2;16.70\n", ";", ".", ()),
        ("name,value,note\nx,1.5,warm\nx,2.5,hot\n", ",", ".", ("name", "value", "note")),
        ("Zeit (\u00b5s);b\n1;16.67\n2;16.70\n", ";", ".", ("Zeit (\u00b5s)", "b")),
        ("1,16670\n2,16700\n3,16650\n", ",", ".", ()),
        ("a,b\n12,5\n11,7\n", ",", ".", ("a", "b")),
        ("12,5.5\n11,7\n", ",", ".", ()),
    ],
)
def test_layout_is_told_from_the_text(
    text: str, delimiter: str, decimal: str, names: tuple[str, ...]
) -> None:
    layout = read_layout(text.encode())
    assert (layout.delimiter, layout.decimal, layout.names) == (delimiter, decimal, names)


def test_names_in_an_older_encoding_are_read_byte_for_byte() -> None:
    assert read_layout("Zeit (\u00b5s);b\n1;16.67\n".encode("latin-1")).names == ("Zeit (\u00b5s)", "b")


@pytest.mark.parametrize("text", [b"16,67\n16,70\n16,65\n", b"1,2\n2,3\n"])
def test_an_ambiguous_comma_is_refused_not_guessed(text: bytes) -> None:
    with pytest.raises(ParseError, match="decimal sign"):
        read_layout(text)
    assert read_layout(text, decimal=",").columns == 1
    assert read_layout(text, decimal=".").columns == 2


def test_quoted_decimal_commas_and_quoted_delimiters_are_read() -> None:
    layout, columns = read_all(b'name,"ms"\n"a, b","16,5"\nc,"17,25"\n')
    assert layout.names == ("name", "ms")
    assert columns.values[1].tolist() == [16.5, 17.25]
    layout, columns = read_all(b'"a\tb" 16.5\n"c d" 17.25\n')
    assert layout.columns == 2
    assert columns.values[1].tolist() == [16.5, 17.25]


def test_an_open_quote_costs_its_line_and_no_other() -> None:
    _, columns = read_all(b'1;16.5\n2;17.5\n3;"18.5\n4;19.5\n5;20.5\n')
    assert columns.values[1].tolist() == [16.5, 17.5, 18.5, 19.5, 20.5]


def test_a_quoted_field_beyond_the_reader_s_limit_is_split_plainly() -> None:
    text = b'1;16.5\n2;"' + b"x" * 140_000 + b'"\n3;17.5\n'
    _, columns = read_all(text)
    assert [math.isnan(x) for x in columns.values[1]] == [False, True, False]


def test_long_text_is_sampled_at_its_beginning() -> None:
    rows = b"".join(b"%d;%d.5\n" % (n, n) for n in range(20000))
    assert len(rows) > delimited.SAMPLE_BYTES
    _, columns = read_all(rows)
    assert columns.values[1][-1] == 19999.5
    one_line = b"1" + b" " * (delimited.SAMPLE_BYTES + 10)
    assert read_layout(one_line).columns == 1


@pytest.mark.parametrize(
    ("rows", "seconds"),
    [
        (b"1;2\n3;nan\n5;1e999\n", [2.0, None, None]),  # read as numbers, yet none
        (b"1;2\n3\n4;5;6\n", [2.0, None, None]),  # as many fields as three whole rows have
        (b"1;2\n3;4_0\n5;6\n", [2.0, None, 6.0]),
        (b"1;2\n\n5;6", [2.0, 6.0]),
    ],
)
def test_rows_that_only_look_regular(rows: bytes, seconds: list[float | None]) -> None:
    layout = delimited.Layout(delimiter=";", decimal=".", columns=2, names=(), start=0, start_line=1)
    (values,) = read_columns(rows, layout, (1,)).values
    assert [None if math.isnan(x) else x for x in values] == seconds


def test_control_characters_between_blanks_are_not_taken_for_columns() -> None:
    layout = delimited.Layout(delimiter=" ", decimal=".", columns=2, names=(), start=0, start_line=1)
    columns = read_columns(b"1\x012\n3\x014\n5 6\n", layout, (0,))
    assert [math.isnan(x) for x in columns.values[0]] == [True, True, False]


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"\xff\xfe1\x00\x00", "encoding"),
        (b"1,2\x00\n", "bytes"),
        (b"", "rows"),
        (b"\n\n", "rows"),
        (b"a,b\nc,d\n", "rows"),
        (b"# 1,2\n", "rows"),
    ],
)
def test_what_is_no_table_is_refused(data: bytes, field: str) -> None:
    with pytest.raises(ParseError) as caught:
        read_layout(plain_text(data))
    assert caught.value.field == field


def test_an_unknown_decimal_sign_is_refused() -> None:
    with pytest.raises(ParseError, match="a point or a comma"):
        read_layout(b"1\n", decimal=":")


@given(st.binary(max_size=300))
@example(b'"\n1')
@example(b"1,2\r\n3,4\r")
@example(b"\x1c16,7")
@example(b'"1,2",3')
@example(b"1,\xb2\n1,2")
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        layout, columns = read_all(data)
    except ParseError:
        return
    assert len(columns.values) == layout.columns
