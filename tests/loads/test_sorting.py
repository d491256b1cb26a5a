from __future__ import annotations

import numpy as np
import pytest

from burnin.loads import sorting


def hook(monkeypatch, change, kinds=("quicksort", "stable")):
    """Put a faulty core between the load and the sort, for some methods."""
    real = np.sort

    def sort(values, kind):
        done = real(values, kind=kind)
        if kind in kinds:
            change(done)
        return done

    monkeypatch.setattr(sorting.np, "sort", sort)


def swap(done):
    done[[200, 300]] = done[[300, 200]]


def repeat(done):
    done[300] = done[301]


def test_two_swapped_numbers_are_found_by_order(open_small, monkeypatch):
    session = open_small("sorting", step_budget_s=1e-9)
    hook(monkeypatch, swap, kinds=("quicksort",))
    faults = session.step().faults
    assert [fault.values["at"] for fault in faults] == ["order", "comparison with the first result"]
    assert faults[0].values["place"] == 201
    assert faults[1].values["place"] == 200
    assert faults[1].values["method"] == "quicksort"


def test_a_lost_number_is_found_although_the_order_is_right(open_small, monkeypatch):
    session = open_small("sorting", step_budget_s=1e-9)
    hook(monkeypatch, repeat, kinds=("quicksort",))
    faults = session.step().faults
    assert [fault.values["at"] for fault in faults] == ["numbers", "comparison with the first result"]
    assert faults[0].values["sum_expected"] != faults[0].values["sum_found"]
    assert faults[0].values["xor_expected"] != faults[0].values["xor_found"]


def test_both_methods_take_turns(open_small, monkeypatch):
    session = open_small("sorting", step_budget_s=1e-9)
    hook(monkeypatch, swap, kinds=("stable",))
    wrong = [bool(session.step().faults) for _ in range(16)]
    assert wrong == [False] * 4 + [True] * 4 + [False] * 4 + [True] * 4


def test_wrong_by_both_methods_is_reported_without_a_place(open_small, monkeypatch):
    session = open_small("sorting", step_budget_s=1e-9)
    hook(monkeypatch, swap)
    assert "place" not in session.step().faults[1].values


def test_a_wrong_first_result_is_reported_by_the_first_step(open_small, monkeypatch):
    hook(monkeypatch, repeat)
    faults = open_small("sorting").step().faults
    assert faults[0].values["at"] == "numbers"


def test_results_are_those_of_python(open_small):
    session = open_small("sorting")
    row = session._rows.rows[0]
    assert sorted(row.tolist()) == np.sort(row).tolist()


def test_finish_finds_a_changed_number(open_small):
    session = open_small("sorting")
    session._rows.rows[3, 9] ^= np.uint64(1)
    (fault,) = session.finish().faults
    assert fault.values["place"] == "3,9"


@pytest.mark.parametrize(("budget", "units"), [(1e-9, 1), (0.1, 1066)])
def test_rows_follow_the_time_asked_for(budget, units, open_small):
    session = open_small("sorting", step_budget_s=budget)
    assert session._units == units


def test_a_number_that_changes_during_the_step_is_no_wrong_result(open_small, monkeypatch):
    session = open_small("sorting", step_budget_s=1e-9)

    def spoil(done):
        session._rows.rows[0, 5] ^= np.uint64(2)
        swap(done)

    hook(monkeypatch, spoil)
    (fault,) = session.step().faults
    assert fault.kind == "memory_word"
    assert fault.values["place"] == "0,5"
