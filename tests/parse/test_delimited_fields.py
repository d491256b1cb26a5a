"""Numbers and fields of single lines; tables are tested in `test_delimited`."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.parse.delimited_fields import is_comment, number_of, numbers_of, split_fields


@pytest.mark.parametrize(
    ("field", "decimal", "value"),
    [("1.5", ".", 1.5), (" 1.5 ", ".", 1.5), ("1,5", ",", 1.5), ("1e3", ".", 1000.0), ("-2", ",", -2.0)],
)
def test_numbers(field: str, decimal: str, value: float) -> None:
    assert number_of(field, decimal) == value


@pytest.mark.parametrize("field", ["", "x", "1,5", "1_0", "nan", "inf", "-inf", "1e999", "0x10", "1 2"])
def test_what_is_no_number(field: str) -> None:
    assert math.isnan(number_of(field, "."))


@given(st.lists(st.text("0123456789.,-+e_nafi ", max_size=8)), st.sampled_from([".", ","]))
def test_many_numbers_are_read_as_one_by_one(words: list[str], decimal: str) -> None:
    one_by_one = np.array([number_of(word, decimal) for word in words])
    assert np.array_equal(numbers_of(words, decimal), one_by_one, equal_nan=True)


@pytest.mark.parametrize(
    ("line", "delimiter", "fields"),
    [
        ("a;b;;", ";", ["a", "b", "", ""]),
        ("  a \t b ", " ", ["a", "b"]),
        ('"a;b";c', ";", ["a;b", "c"]),
        ('1, "2,5"', ",", ["1", "2,5"]),
        ('"a b"\tc', " ", ["a b", "c"]),
        ('a"b;c', ";", ['a"b', "c"]),
    ],
)
def test_fields(line: str, delimiter: str, fields: list[str]) -> None:
    assert split_fields([line], delimiter) == [fields]


def test_comments() -> None:
    assert [is_comment(line) for line in ("# a", " % b", "//c", "1 # d", "")] == [
        True,
        True,
        True,
        False,
        False,
    ]
