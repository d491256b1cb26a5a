from __future__ import annotations

from burnin.calc.queens import placements
from burnin.loads import backtracking


def hook(monkeypatch, column, when=lambda call: True, tried=0):
    """Put a faulty core between the load and the search, on one column."""
    calls = iter(range(10**6))

    def count(n, at):
        found, steps = placements(n, at)
        if at == column and when(next(calls)):
            return (found, steps + tried) if tried else (found + 1, steps)
        return found, steps

    monkeypatch.setattr(backtracking, "placements", count)


def faults_of(session, steps):
    return [fault for _ in range(steps) for fault in session.step().faults]


def test_a_core_that_is_always_wrong_misses_the_published_total(open_small, monkeypatch):
    hook(monkeypatch, 2)
    faults = faults_of(open_small("backtracking"), 8)
    assert faults[-1].values == {"at": "total", "expected": 92, "found": 93}
    assert faults[0].values["mirrored"] != faults[0].values["found"] or faults[0].values["column"] == 5


def test_a_wrong_count_in_a_later_round_is_found_at_once(open_small, monkeypatch):
    session = open_small("backtracking")
    assert not faults_of(session, 8)
    hook(monkeypatch, 3, when=lambda call: call == 0)
    faults = faults_of(session, 4)
    assert faults[0].step == 11
    assert faults[0].values["expected"] == 18
    assert faults[0].values["found"] == 19
    assert faults[0].values["found_again"] == 18


def test_another_number_of_steps_is_found_although_the_count_is_right(open_small, monkeypatch):
    session = open_small("backtracking")
    faults_of(session, 8)
    hook(monkeypatch, 3, tried=2)
    (fault,) = faults_of(session, 4)
    assert fault.values["found"] == fault.values["expected"]
    assert fault.values["found_tried"] == fault.values["expected_tried"] + 2


def test_finish_finds_a_changed_total(open_small):
    session = open_small("backtracking")
    session._totals.values[2] = 5
    (fault,) = session.finish().faults
    assert fault.kind == "memory_word"
