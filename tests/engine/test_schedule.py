from __future__ import annotations

import pytest

from burnin.engine.schedule import FOR_EVER_NS, Pace, pace_of
from burnin.records.plan import Shape

S = 1_000_000_000


def actives(pace: Pace, times) -> list[bool]:
    return [pace.active(round(t * S)) for t in times]


def test_nothing_works_before_the_start() -> None:
    pace = Pace(start_ns=10 * S)
    assert not pace.active(9 * S)
    assert pace.next_change_ns(9 * S) == 10 * S


def test_steady_works_for_ever() -> None:
    pace = pace_of(Shape(), start_ns=0, place=0, places=4)
    assert pace.active(0)
    assert pace.next_change_ns(5) == FOR_EVER_NS


def test_pulses_are_equal_for_all_and_keep_their_duty() -> None:
    shape = Shape(kind="pulsed", period_s=2.0, duty=0.25)
    paces = [pace_of(shape, start_ns=S, place=place, places=4) for place in range(4)]
    times = [1 + n * 0.1 for n in range(80)]
    patterns = [actives(pace, times) for pace in paces]
    assert all(pattern == patterns[0] for pattern in patterns)
    assert sum(patterns[0]) / len(times) == pytest.approx(0.25, abs=0.02)
    assert paces[0].next_change_ns(S) == S + S // 2
    assert paces[0].next_change_ns(2 * S) == 3 * S


def test_one_core_at_a_time_leaves_none_out() -> None:
    shape = Shape(kind="one_core", period_s=1.0)
    paces = [pace_of(shape, start_ns=0, place=place, places=3) for place in range(3)]
    for second in range(9):
        working = [place for place, pace in enumerate(paces) if pace.active(second * S + 1)]
        assert working == [second % 3]
    assert paces[0].next_change_ns(S // 2) == S


def test_the_staircase_goes_up_and_down_by_one() -> None:
    shape = Shape(kind="staircase", period_s=1.0)
    paces = [pace_of(shape, start_ns=0, place=place, places=3) for place in range(3)]
    counts = [sum(pace.active(second * S) for pace in paces) for second in range(12)]
    assert counts == [1, 2, 3, 3, 2, 1, 1, 2, 3, 3, 2, 1]
    assert paces[0].active(5 * S)
    assert not paces[2].active(4 * S)


def test_an_instance_without_a_place_is_alone() -> None:
    assert pace_of(Shape(kind="one_core"), start_ns=0, place=0, places=0).places == 1
