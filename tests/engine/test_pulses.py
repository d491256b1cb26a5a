from __future__ import annotations

from burnin.engine.messages import Edge
from burnin.engine.news import Job
from burnin.engine.pulses import EdgeWatch, PulseLog
from burnin.engine.schedule import Pace

MS = 1_000_000
PACE = Pace(kind="pulsed", start_ns=1000 * MS, period_ns=100 * MS, duty=0.5)


def jobs(count: int) -> tuple[Job, ...]:
    return tuple(Job(load_id=f"l{n}", load="spin", params={}, core=n, seed=1) for n in range(count))


def test_edges_are_the_first_and_the_last_instruction_of_a_pulse() -> None:
    watch = EdgeWatch(pace=PACE)
    for begins, ends in ((1001, 1002), (1002, 1051), (1103, 1149), (1200, 1201)):
        watch.begins(begins * MS)
        watch.ends(ends * MS)
    assert watch.take() == (
        Edge(pulse=0, on_late_us=1000, off_late_us=1000),
        Edge(pulse=1, on_late_us=3000, off_late_us=-1000),
    )
    assert watch.take() == ()


def test_other_shapes_have_no_edges() -> None:
    watch = EdgeWatch(pace=Pace())
    for now_ns in (1, 10**9, 2 * 10**9):
        watch.begins(now_ns)
        watch.ends(now_ns + 1)
    assert watch.take() == ()


def test_a_pulse_counts_once_all_workers_have_told_it() -> None:
    log = PulseLog(jobs(2))
    log.hear("l0", tuple(Edge(pulse=n, on_late_us=100, off_late_us=500) for n in range(100)))
    assert list(log.measured(3)) == []
    log.hear("l1", tuple(Edge(pulse=n, on_late_us=1100, off_late_us=-500) for n in range(99)))
    (event,) = log.measured(3)
    assert (event.stage, event.pulses, event.loads) == (3, 99, 2)
    assert (event.late_p99_ms, event.apart_p99_ms, event.apart_most_ms) == (1.1, 1.0, 1.0)


def test_one_worker_late_once_is_the_most_but_not_the_rule() -> None:
    log = PulseLog(jobs(3))
    for load_id in ("l0", "l1", "l2"):
        late = 50_000 if load_id == "l2" else 0
        log.hear(
            load_id, tuple(Edge(pulse=n, on_late_us=late if n == 7 else 0, off_late_us=0) for n in range(400))
        )
    (event,) = log.measured(0)
    assert (event.apart_p99_ms, event.apart_most_ms) == (0.0, 50.0)
