"""A ladder of declared settings: what its runs have shown so far, what is tried next, and which setting to ship. Pure.

Nothing here, and nothing that calls it, changes a clock or a voltage: settings are declared by the operator, who sets them
in the firmware. Rungs stand in the order of the operator's ladder, from the mildest to the boldest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from burnin.calc.run_facts import cut_off, hot_runs, loads_in, time_at_work_s, worked
from burnin.calc.sequential import RatePlan, hours_to_accept, verdict
from burnin.calc.series import Level
from burnin.records.base import LooseRecord
from burnin.records.events import FaultFound, LoadEnded, OperatorStopped, SafetyTripped
from burnin.records.view import RunView
from burnin.review.run_figures import RunFigure, has_room, run_figures

Standing = Literal["untried", "open", "proven", "failed", "beyond"]
"""``open``: tried without a decision yet; ``beyond``: untried above a failed rung, so never offered."""

FAULTY_ENDS: Final = frozenset({"signal", "hung", "exit_code"})
"""Ends of a load that count as a fault of the machine on this rung."""


class Setting(LooseRecord, frozen=True, kw_only=True):
    """One declared setting: a free key with its value and unit."""

    key: str
    value: float | str
    unit: str = ""

    def __str__(self) -> str:
        value = f"{self.value:g}" if isinstance(self.value, float) else self.value
        return f"{self.key} {value} {self.unit}".rstrip()


class Rung(LooseRecord, frozen=True, kw_only=True):
    """One rung.

    Attributes:
        number: Its number, in order of declaration; never reused.
        place: Where it stands in the ladder, rising.
        settings: What is set.
        note: Operator's note.
    """

    number: int
    place: float
    settings: tuple[Setting, ...]
    note: str = ""

    def __str__(self) -> str:
        return ", ".join(map(str, self.settings))


class Trial(LooseRecord, frozen=True, kw_only=True):
    """What one run on a rung showed.

    Attributes:
        rung: The rung's number.
        run_id: The run, empty where it left no journal.
        hours: Hours during which loads did work in hot stages.
        faults: Wrong results, and loads that died by themselves.
        ended: ``closed``, ``unfinished``, ``reset``, ``lost`` (no journal), ``safety``, ``operator``, ``orderly`` or ``harness``.
    """

    rung: int
    run_id: str
    hours: float = 0.0
    faults: int = 0
    ended: str = "closed"


@dataclass(frozen=True, kw_only=True)
class RungState:
    """A rung and what is known of it.

    Attributes:
        rung: The rung.
        standing: What it comes to.
        because: Why it failed, as a slug: ``reset``, ``lost``, ``safety``, ``faults``, ``barred``; empty otherwise.
        hours: Hours at work over all its runs.
        faults: Faults over all its runs.
        runs: Ids of its runs.
        hours_left: Hours still to go if no fault comes; 0 once decided.
    """

    rung: Rung
    standing: Standing
    because: str
    hours: float
    faults: int
    runs: tuple[str, ...]
    hours_left: float


@dataclass(frozen=True, kw_only=True)
class KeyMargin:
    """How far a key of the proposal stands from failing.

    Attributes:
        key: The key.
        unit: Its unit.
        shipped: Value proposed.
        proven: Value of the boldest proven rung.
        failed: Value of the mildest failed rung; None where nothing failed.
    """

    key: str
    unit: str
    shipped: float
    proven: float
    failed: float | None


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """The setting to ship, or why there is none.

    Attributes:
        rung: The rung proposed; None for none.
        reason: Why none, as a slug: ``nothing-proven`` or ``margin-too-wide``; empty where there is one.
        last_proven: Boldest proven rung.
        first_failed: Mildest failed rung; None where nothing failed, so that the margin is only known to be as wide as
            the ladder.
        margins: For each key with a number that changes along the ladder.
    """

    rung: Rung | None
    reason: str
    last_proven: Rung | None
    first_failed: Rung | None
    margins: tuple[KeyMargin, ...] = ()


def trial_of(view: RunView, rung: int) -> Trial:
    """Return what a run showed about its rung."""
    hours = 0.0
    for run in hot_runs(view):
        flags = worked(view, tuple(load.load_id for load in loads_in(view, run)))
        hours += time_at_work_s(view, run, flags=flags) / 3600
    dead = sum(not end.planned and end.how in FAULTY_ENDS for _, end in view.of(LoadEnded))
    faults = sum(1 for _ in view.of(FaultFound)) + dead
    return Trial(rung=rung, run_id=view.opened.run_id, hours=hours, faults=faults, ended=_ended(view))


def _ended(view: RunView) -> str:
    if view.closed is None:
        return "unfinished"
    if view.first(SafetyTripped) is not None:
        return "safety"
    if view.first(OperatorStopped) is not None:
        return "operator"
    return cut_off(view) or "closed"


def rung_states(
    rungs: Sequence[Rung], trials: Sequence[Trial], plan: RatePlan, *, barred: Mapping[int, str]
) -> tuple[RungState, ...]:
    """Return the state of every rung, from the mildest to the boldest.

    A reset, a run that left no journal, a safety stop, or the rejection of the sequential plan fails a rung for good, and
    with it every rung above that is not proven.

    Args:
        rungs: The ladder.
        trials: What the runs showed, in order of time.
        plan: The sequential plan.
        barred: Rungs the operator ruled out, with the reason.
    """
    states = []
    fallen = False
    for rung in sorted(rungs, key=lambda rung: rung.place):
        state = _state(
            rung, [trial for trial in trials if trial.rung == rung.number], plan, barred=rung.number in barred
        )
        if fallen and state.standing in {"untried", "open"}:
            state = _beyond(state)
        fallen = fallen or state.standing == "failed"
        states.append(state)
    return tuple(states)


def _beyond(state: RungState) -> RungState:
    return RungState(
        rung=state.rung,
        standing="beyond",
        because="",
        hours=state.hours,
        faults=state.faults,
        runs=state.runs,
        hours_left=0.0,
    )


def _state(rung: Rung, trials: list[Trial], plan: RatePlan, *, barred: bool) -> RungState:
    hours, faults = sum(trial.hours for trial in trials), sum(trial.faults for trial in trials)
    answer = verdict(plan, faults=faults, time_h=hours)
    because = next((trial.ended for trial in trials if trial.ended in {"reset", "lost", "safety"}), "")
    if not because and (barred or answer == "reject"):
        because = "barred" if barred else "faults"
    standing: Standing = (
        "failed" if because else "proven" if answer == "accept" else "open" if trials else "untried"
    )
    left = 0.0 if standing in {"failed", "proven"} else hours_to_accept(plan, faults) - hours
    return RungState(
        rung=rung,
        standing=standing,
        because=because,
        hours=hours,
        faults=faults,
        runs=tuple(trial.run_id for trial in trials if trial.run_id),
        hours_left=left,
    )


def next_rung(states: Sequence[RungState]) -> RungState | None:
    """Return the mildest rung above the boldest proven one that is not decided yet, None where there is none."""
    proven = [place for place, state in enumerate(states) if state.standing == "proven"]
    above = states[proven[-1] + 1 :] if proven else states
    return next((state for state in above if state.standing in {"untried", "open"}), None)


def proposal_of(states: Sequence[RungState], *, margin: int) -> Proposal:
    """Return the setting to ship: the boldest proven rung less ``margin`` rungs, down to one that is proven.

    Args:
        states: The ladder, from the mildest rung to the boldest.
        margin: The workshop's margin, in rungs.
    """
    proven = [place for place, state in enumerate(states) if state.standing == "proven"]
    failed = next((state.rung for state in states if state.standing == "failed"), None)
    below = [place for place in proven if failed is None or states[place].rung.place < failed.place]
    if not below:
        return Proposal(rung=None, reason="nothing-proven", last_proven=None, first_failed=failed)
    last = below[-1]
    chosen = [place for place in below if place <= last - margin]
    if not chosen:
        return Proposal(
            rung=None, reason="margin-too-wide", last_proven=states[last].rung, first_failed=failed
        )
    rung = states[chosen[-1]].rung
    margins = _margins([state.rung for state in states], rung, states[last].rung, failed=failed)
    return Proposal(rung=rung, reason="", last_proven=states[last].rung, first_failed=failed, margins=margins)


def _margins(
    rungs: Sequence[Rung], shipped: Rung, proven: Rung, *, failed: Rung | None
) -> tuple[KeyMargin, ...]:
    found = []
    for setting in shipped.settings:
        values = [value for rung in rungs if (value := _number(rung, setting)) is not None]
        own, bold = _number(shipped, setting), _number(proven, setting)
        if own is not None and bold is not None and len(set(values)) > 1:
            limit = None if failed is None else _number(failed, setting)
            found.append(
                KeyMargin(key=setting.key, unit=setting.unit, shipped=own, proven=bold, failed=limit)
            )
    return tuple(found)


def _number(rung: Rung, like: Setting) -> float | None:
    for setting in rung.settings:
        if (setting.key, setting.unit) == (like.key, like.unit) and isinstance(setting.value, float):
            return setting.value
    return None


@dataclass(frozen=True, kw_only=True)
class FrontierRow:
    """What a rung costs and gives, from its last run with figures.

    Attributes:
        rung: The rung's number.
        rate: Work per second of the first load, with its unit; None where unknown.
        rate_unit: Its unit.
        temp: Hottest CPU reading, above the room in kelvin where the room was measured, else in degC.
        temp_unit: ``K`` or ``degC``.
        power_w: CPU power; None where unknown.
        on_frontier: No other proven rung is at least as good in all that is known of both, and better in one.
    """

    rung: int
    rate: float | None
    rate_unit: str
    temp: float | None
    temp_unit: str
    power_w: float | None
    on_frontier: bool = False


def frontier_row(rung: int, view: RunView) -> FrontierRow:
    """Return a rung's rate, temperature and power from a run's last hot stage."""
    figures = run_figures(view, off_room=has_room(view))
    last = figures[-1].stage if figures else ""
    here = [one for one in figures if one.stage == last and isinstance(one.level, Level)]
    roles = {channel.id: channel.role for channel in view.channels}
    temp = next((one for one in here if roles.get(one.name) == "cpu_hottest"), None)
    power = next((one for one in here if roles.get(one.name) == "cpu_power"), None)
    rate = next((one for one in here if one.unit.endswith("/s")), None)
    return FrontierRow(
        rung=rung,
        rate=_mean(rate),
        rate_unit=rate.unit if rate else "",
        temp=_mean(temp),
        temp_unit=temp.unit if temp else "",
        power_w=_mean(power),
    )


def _mean(figure: RunFigure | None) -> float | None:
    return figure.level.mean if figure is not None and isinstance(figure.level, Level) else None


def with_frontier(rows: Sequence[FrontierRow], proven: frozenset[int]) -> tuple[FrontierRow, ...]:
    """Return the rows with the frontier marked among the proven rungs: rate against temperature and power."""
    rivals = [row for row in rows if row.rung in proven]
    return tuple(
        FrontierRow(
            rung=row.rung,
            rate=row.rate,
            rate_unit=row.rate_unit,
            temp=row.temp,
            temp_unit=row.temp_unit,
            power_w=row.power_w,
            on_frontier=row.rung in proven and not any(_beats(other, row) for other in rivals),
        )
        for row in rows
    )


def _beats(one: FrontierRow, other: FrontierRow) -> bool:
    pairs = [(one.rate, other.rate, 1) if one.rate_unit == other.rate_unit else (None, None, 1)]
    pairs.append((one.temp, other.temp, -1) if one.temp_unit == other.temp_unit else (None, None, -1))
    pairs.append((one.power_w, other.power_w, -1))
    ahead = [sign * (a - b) for a, b, sign in pairs if a is not None and b is not None]
    return bool(ahead) and min(ahead) >= 0 and max(ahead) > 0
