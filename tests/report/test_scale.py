from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.report.scale import spread, time_label, time_ticks, time_unit, value_ticks


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(2, 10))
def test_value_ticks_cover_the_range_evenly(low, length, wanted):
    ticks = value_ticks(low, low + length, wanted)
    assert ticks[0] <= low + 1e-8 * max(length, abs(low))
    assert ticks[-1] >= low + length - 1e-8 * max(length, abs(low))
    assert 2 <= len(ticks) <= wanted + 3
    steps = {round((b - a) / (ticks[1] - ticks[0]), 3) for a, b in itertools.pairwise(ticks)}
    assert steps == {1.0}


def test_round_steps():
    assert value_ticks(22.3, 80.1, 5) == (20, 40, 60, 80, 100)
    assert value_ticks(0.0, 0.0, 5) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("end_s", "last", "unit"),
    [(90, "90", "s"), (5100, "75", "min"), (28800, "8", "h"), (259200, "72", "h"), (30 * 86400, "672", "h")],
)
def test_time_axis_in_the_unit_that_fits(end_s, last, unit):
    ticks = time_ticks(end_s)
    assert 3 <= len(ticks) <= 9
    assert time_label(ticks[-1], end_s) == last
    assert time_unit(end_s) == unit


@given(st.lists(st.floats(0, 200), min_size=1, max_size=12))
def test_names_never_meet(wanted):
    placed = spread(sorted(wanted), 10.0, 0.0, 200.0)
    assert all(b - a >= 9.999 for a, b in itertools.pairwise(placed))
    assert placed[-1] <= 200.0


def test_names_that_have_room_stay_where_they_belong():
    assert spread([10.0, 50.0, 90.0], 10.0, 0.0, 100.0) == [10.0, 50.0, 90.0]
