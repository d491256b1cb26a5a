"""How the run stands, as values for whoever shows it."""

from __future__ import annotations

from dataclasses import dataclass

from burnin.engine.observer import LoadLine, Snapshot
from burnin.engine.prepare import Survey
from burnin.engine.roster import Loads, LoadState
from burnin.records.plan import Plan


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where the supervisor is in its plan.

    Attributes:
        stage: Stage index, -1 before the first.
        state: ``opening``, ``running``, ``checking``, ``stopping`` or ``over``.
        left_s: Time left in the stage.
        elapsed_s: Time since the start.
        faults: Wrong results so far.
    """

    stage: int
    state: str
    left_s: float
    elapsed_s: float
    faults: int


def snapshot_of(
    run_id: str, plan: Plan, survey: Survey, place: Place, now: tuple[tuple[float | None, ...], Loads]
) -> Snapshot:
    """Return how the run stands.

    Args:
        run_id: Which run.
        plan: Its plan.
        survey: Its channels and trip limits.
        place: Where it is.
        now: Last values of the channels, and the loads of the stage.
    """
    values, loads = now
    index = max(place.stage, 0)
    over = place.state == "over"
    left_s = 0.0 if over else max(0.0, place.left_s)
    later_s = 0.0 if over else sum(stage.longest_s for stage in plan.stages[index + 1 :])
    return Snapshot(
        run_id=run_id,
        stage=place.stage + 1,
        stages=len(plan.stages),
        stage_name=plan.stages[index].name,
        stage_left_s=left_s,
        run_left_s=left_s + later_s,
        elapsed_s=place.elapsed_s,
        channels=survey.described.channels,
        values=values,
        trips={limit.channel: limit.trip for limit in survey.armed.limits},
        loads=tuple(_line(state, place.state) for state in loads.states.values()),
        faults=place.faults,
        state=place.state,
    )


def _line(state: LoadState, run_state: str) -> LoadLine:
    word = "working" if run_state == "running" else run_state
    if state.gone is not None:
        word = state.gone.how
    elif not state.ready:
        word = "opening"
    return LoadLine(
        load_id=state.job.load_id,
        load=state.job.load,
        core=state.job.core,
        amount=state.amount,
        unit=state.unit,
        faults=state.faults,
        state=word,
    )
