from __future__ import annotations

import pytest
from test_agreement import job, points

from burnin.engine import child
from burnin.engine.agreement import Agreement
from burnin.engine.seats import Seat, seat_name, seats_of
from burnin.engine.verdict_on_cores import Results, accused, right_result
from burnin.records.inventory import CpuCore, CpuPart, Inventory

SEATS = {0: "a", 1: "a", 2: "b", 3: "c"}


def results(*rows, wrong=()) -> Results:
    made = Results(wrong=set(wrong))
    for work, core, digest in rows:
        made.add((1, work), core, digest)
    return made


@pytest.mark.parametrize(
    ("rows", "wrong", "named"),
    [
        ([(16, 0, 5), (16, 2, 5)], (), {}),
        ([(16, 0, 5), (16, 2, 6)], (), {}),
        ([(16, 0, 5), (16, 2, 6), (16, 0, 6)], (), {0: "outvoted"}),
        ([(16, 0, 5), (16, 2, 6), (16, 0, 7), (16, 2, 6)], (), {0: "contradicts_itself"}),
        ([(16, 0, 5), (16, 1, 5), (16, 2, 6)], (), {}),
        ([(16, 0, 5), (16, 1, 5), (16, 2, 6), (16, 3, 6)], (), {0: "outvoted", 1: "outvoted"}),
        ([(16, 0, 5), (16, 2, 5)], (2,), {2: "wrong_again"}),
        ([(16, 0, 5), (16, 2, 6), (32, 0, 1), (32, 2, 1), (32, 3, 2)], (), {3: "outvoted"}),
    ],
)
def test_who_is_accused(rows, wrong, named) -> None:
    assert accused(results(*rows, wrong=wrong), SEATS.__getitem__) == named


def test_two_results_of_as_many_seats_leave_it_open() -> None:
    assert right_result({0: [5], 2: [5, 6], 3: [6]}, SEATS.__getitem__) is None
    assert right_result({}, SEATS.__getitem__) is None
    assert results((16, 0, 5), (16, 0, 5)).count == 2


def test_seats_come_from_the_inventory() -> None:
    cores = (CpuCore(cpu=0, core=4, package=1, kind="performance"), CpuCore(cpu=1))
    seats = seats_of(Inventory(cpu=CpuPart(cores=cores)))
    assert seats == {0: Seat(package=1, core=4, kind="performance")}
    assert (seat_name(0, seats), seat_name(1, seats)) == ("1/4", "cpu 1")


def test_threads_of_one_core_do_not_outvote_another_core() -> None:
    seats = {0: Seat(core=0), 1: Seat(core=0), 2: Seat(core=1)}
    agreement = Agreement((job(0), job(1), job(2)), seats)
    assert agreement.hear("l0", points((16, 1))) == []
    assert agreement.hear("l1", points((16, 1))) == []
    ((_, values),) = agreement.hear("l2", points((16, 2)))
    assert values["who"] == "core 0 or core 1 or core 2"
    assert agreement.answers("l0", 16) == {"l0": 1, "l1": 1, "l2": 2}
    assert [each.core for each in agreement.partners("l1")] == [0, 2]
    assert (agreement.answers("x", 1), agreement.partners("x")) == ({}, [])


def test_a_load_that_is_over_is_not_waited_for() -> None:
    agreement = Agreement((job(0), job(1), job(2)))
    agreement.leave("l2")
    agreement.leave("x")
    agreement.hear("l0", points((16, 1)))
    ((_, values),) = agreement.hear("l1", points((16, 2)))
    assert values["who"] == "core 0 or core 1"


def test_children_use_the_numeric_kernel_of_the_supervisor(monkeypatch) -> None:
    monkeypatch.setattr(child, "kernel_name", lambda: "Haswell")
    assert child.environment({})["OPENBLAS_CORETYPE"] == "Haswell"
    assert child.environment({"OPENBLAS_CORETYPE": "Zen"})["OPENBLAS_CORETYPE"] == "Zen"
    monkeypatch.setattr(child, "kernel_name", lambda: "")
    assert "OPENBLAS_CORETYPE" not in child.environment({})
