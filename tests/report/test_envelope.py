from __future__ import annotations

import itertools
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.report.envelope import breaks, envelope, path_data, short

numbers = st.one_of(st.floats(-1e6, 1e6, width=32), st.just(float("nan")))


@given(st.lists(numbers, max_size=300), st.integers(1, 20))
def test_every_slice_keeps_its_lowest_and_highest_value(values, slices):
    trace = np.array(values, dtype=np.float64)
    kept = envelope(trace, slices)
    assert np.all(np.diff(kept) > 0)
    assert not np.any(np.isnan(trace[kept]))
    edges = np.linspace(0, len(trace), slices + 1).astype(np.int64)
    for start, stop in itertools.pairwise(edges):
        part = trace[start:stop]
        drawn = trace[kept[(kept >= start) & (kept < stop)]]
        if np.any(~np.isnan(part)):
            assert drawn.min() == np.nanmin(part)
            assert drawn.max() == np.nanmax(part)
        else:
            assert len(drawn) == 0
    assert len(kept) <= max(2 * slices + 2, 2 * slices)


@given(st.lists(numbers, min_size=1, max_size=200), st.integers(1, 12))
def test_a_line_is_never_drawn_across_a_missing_value(values, slices):
    trace = np.array(values, dtype=np.float64)
    t_s = np.arange(len(trace), dtype=np.float64)
    kept = envelope(trace, slices)
    starts = set(breaks(t_s, trace, kept).tolist())
    for index in range(1, len(kept)):
        hole = np.any(np.isnan(trace[kept[index - 1] : kept[index]]))
        assert (index in starts) == hole


def test_a_pause_opens_the_line():
    t_s = np.array([0.0, 1.0, 2.0, 30.0, 31.0])
    values = np.ones(5)
    assert breaks(t_s, values, np.arange(5)).tolist() == [0, 3]
    assert path_data(t_s, values, 10) == "M0 1L1 1L2 1M30 1L31 1"


def test_a_single_value_between_gaps_stays_visible():
    values = np.array([np.nan, 5.5, np.nan, 6.25])
    assert path_data(np.arange(4.0), values, 10) == "M1 5.5h0M3 6.25h0"
    assert path_data(np.arange(4.0), np.full(4, np.nan), 10) == ""


@pytest.mark.parametrize("value", [0.0, -0.0, 1e-7, 123456789.0, 45.1, -3.25, 1e10])
def test_figures_read_back_as_the_same_32_bit_number_and_have_no_exponent(value):
    text = short(np.float32(value))
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)
    assert np.float32(text) == np.float32(value)
