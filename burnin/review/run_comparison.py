"""Two runs side by side: what changed in the machine, and which figures differ by more than noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from burnin.calc.compare import Comparison, Repeatability, compare_levels, holm, pooled_repeatability
from burnin.calc.refusal import Refusal
from burnin.calc.series import Level
from burnin.records.base import LooseRecord
from burnin.records.findings import Finding, Outcome
from burnin.records.view import RunView
from burnin.review.machine_changes import MachineChange, machine_changes
from burnin.review.run_figures import RunFigure, has_room, run_figures

Answer = Literal["better", "worse", "higher", "lower", "no_difference_shown", "not_comparable"]

_RISK: Final = 0.05


class FigureComparison(LooseRecord, frozen=True, kw_only=True):
    """One figure in both runs.

    Attributes:
        stage: The stage it is from.
        name: Channel id or name of the load.
        label: What people call it.
        unit: Unit of all figures here.
        above_room: True where the room was taken off.
        before: Mean in the first run; None where it has none.
        after: Mean in the second run; None where it has none.
        difference: Second less first; None where not comparable.
        low: Lower end of its 95 % interval.
        high: Upper end of its 95 % interval.
        p_value: Two-sided, corrected for the number of figures (Holm); None where not comparable.
        answer: What can be said.
        reason: Why not comparable, as a slug; empty where it is.
        spread: Standard deviation between runs of an unchanged machine; None where not comparable.
        spread_df: Its degrees of freedom.
        spread_from: ``runs`` of this machine beside the first one, or ``records`` of its family; empty where there is none.
    """

    stage: str
    name: str
    label: str
    unit: str
    above_room: bool
    before: float | None = None
    after: float | None = None
    difference: float | None = None
    low: float | None = None
    high: float | None = None
    p_value: float | None = None
    answer: Answer
    reason: str = ""
    spread: float | None = None
    spread_df: float | None = None
    spread_from: Literal["", "runs", "records"] = ""


class OutcomeChange(LooseRecord, frozen=True, kw_only=True):
    """A judgement that came out differently, or stands in one run only.

    Attributes:
        criterion: The rule.
        subject: What it is about.
        stage: The stage, empty for the run.
        before: Outcome in the first run; None where it was not judged.
        after: Outcome in the second run; None where it was not judged.
    """

    criterion: str
    subject: str
    stage: str
    before: Outcome | None
    after: Outcome | None


class RunComparison(LooseRecord, frozen=True, kw_only=True):
    """Everything two runs show beside each other.

    Attributes:
        before: Id of the first run.
        after: Id of the second run.
        baseline_runs: Runs the repeatability was taken from.
        plans_differ: Names of stages that are not the same in both plans.
        machine: What changed in the machine.
        figures: The figures, in the order of the first run.
    """

    before: str
    after: str
    baseline_runs: int
    plans_differ: tuple[str, ...]
    machine: tuple[MachineChange, ...]
    figures: tuple[FigureComparison, ...]


Key = tuple[str, str, str]
"""Stage, name and unit of a figure."""


@dataclass(frozen=True, kw_only=True)
class _Spread:
    """How far a figure moves between runs of an unchanged machine, and how that is known."""

    value: Repeatability
    known_from: Literal["runs", "records"]


@dataclass(frozen=True, kw_only=True)
class _Pair:
    before: RunFigure
    after: RunFigure | None
    spread: _Spread | None
    result: Comparison | Refusal


def compare_runs(
    before: RunView,
    after: RunView,
    *,
    baselines: Sequence[RunView] = (),
    records: Mapping[Key, Repeatability] | None = None,
) -> RunComparison:
    """Compare two runs.

    How far a figure moves from run to run of an unchanged machine comes from ``before`` and ``baselines`` together: three
    runs at least; else from ``records``; else the figure is not comparable. Temperatures are compared above the room
    where all runs measured it.

    Args:
        before: The first run.
        after: The second run.
        baselines: Further runs of the machine as it was in ``before``.
        records: What repeated runs of the family showed (:func:`spreads_of`).
    """
    runs = (before, *baselines)
    off_room = all(has_room(view) for view in (*runs, after))
    known = [{_key(one): one for one in run_figures(view, off_room=off_room)} for view in runs]
    later = {_key(one): one for one in run_figures(after, off_room=off_room)}
    differ = _stages_that_differ(before, after)
    mixed = before.opened.rehearsal != after.opened.rehearsal
    pairs = []
    for key, first in known[0].items():
        spread = _spread([figures[key] for figures in known if key in figures], (records or {}).get(key))
        result: Comparison | Refusal
        if mixed or first.stage in differ:
            result = Refusal(slug="rehearsal-beside-run" if mixed else "stages-differ")
        else:
            result = _compared(first, later.get(key), spread)
        pairs.append(_Pair(before=first, after=later.get(key), spread=spread, result=result))
    return RunComparison(
        before=before.opened.run_id,
        after=after.opened.run_id,
        baseline_runs=len(runs),
        plans_differ=differ,
        machine=machine_changes(before.inventory, after.inventory),
        figures=_told(pairs),
    )


def outcome_changes(before: Sequence[Finding], after: Sequence[Finding]) -> tuple[OutcomeChange, ...]:
    """Return the judgements that differ between two runs; several of one subject count by their worst."""
    first, second = _worst(before), _worst(after)
    return tuple(
        OutcomeChange(
            criterion=key[0], subject=key[1], stage=key[2], before=first.get(key), after=second.get(key)
        )
        for key in [*first, *(key for key in second if key not in first)]
        if first.get(key) != second.get(key)
    )


Overall = Literal["differs", "same", "not_comparable"]


def overall(comparison: RunComparison, outcomes: Sequence[OutcomeChange]) -> Overall:
    """Return what a comparison comes to.

    Runs differ when a figure differs by more than noise, when a part of the machine changed, or when a judgement went from
    fail to pass or back, or stands in one run only and is a fail there. They are the same only when every figure could be
    compared, or stood still in both runs; else nothing is shown either way.
    """
    decided = {"better", "worse", "higher", "lower"}
    if (
        any(figure.answer in decided for figure in comparison.figures)
        or any(change.how in {"changed", "added", "removed"} for change in comparison.machine)
        or any("fail" in _sides(change) and "inconclusive" not in _sides(change) for change in outcomes)
    ):
        return "differs"
    compared = [
        figure.answer == "no_difference_shown" or _stood_still(figure) for figure in comparison.figures
    ]
    return "same" if compared and all(compared) else "not_comparable"


def _sides(change: OutcomeChange) -> tuple[Outcome | None, Outcome | None]:
    return change.before, change.after


def _stood_still(figure: FigureComparison) -> bool:
    return figure.reason == "no-spread" and figure.before == figure.after


def _worst(findings: Sequence[Finding]) -> dict[tuple[str, str, str], Outcome]:
    order: tuple[Outcome, ...] = ("not_applicable", "pass", "inconclusive", "fail")
    worst: dict[tuple[str, str, str], Outcome] = {}
    for finding in findings:
        key = (finding.criterion, finding.subject, finding.stage)
        worst[key] = max(worst.get(key, finding.outcome), finding.outcome, key=order.index)
    return worst


def spreads_of(groups: Mapping[Key, Sequence[Sequence[float]]]) -> dict[Key, Repeatability]:
    """Return the spread between runs that repeated runs of unchanged machines show, for each figure that has enough."""
    pooled = {key: pooled_repeatability(machines) for key, machines in groups.items()}
    return {key: value for key, value in pooled.items() if isinstance(value, Repeatability)}


def _key(figure: RunFigure) -> Key:
    return figure.stage, figure.name, figure.unit


def _stages_that_differ(before: RunView, after: RunView) -> tuple[str, ...]:
    first, second = ({stage.name: stage for stage in view.opened.plan.stages} for view in (before, after))
    names = [*first, *(name for name in second if name not in first)]
    return tuple(name for name in names if first.get(name) != second.get(name))


def _spread(before: list[RunFigure], records: Repeatability | None) -> _Spread | None:
    own = pooled_repeatability([[one.level.mean for one in before if isinstance(one.level, Level)]])
    if isinstance(own, Repeatability):
        return _Spread(value=own, known_from="runs")
    return None if records is None else _Spread(value=records, known_from="records")


def _compared(before: RunFigure, after: RunFigure | None, spread: _Spread | None) -> Comparison | Refusal:
    if isinstance(before.level, Refusal):
        return before.level
    if after is None:
        return Refusal(slug="not-in-second-run")
    if isinstance(after.level, Refusal):
        return after.level
    return compare_levels([before.level], [after.level], repeatability=spread.value if spread else None)


def _told(pairs: list[_Pair]) -> tuple[FigureComparison, ...]:
    raw = [pair.result.p_value for pair in pairs if isinstance(pair.result, Comparison)]
    corrected = iter(holm(raw) if raw else ())
    return tuple(
        _figure(pair, next(corrected) if isinstance(pair.result, Comparison) else None) for pair in pairs
    )


def _figure(pair: _Pair, p_value: float | None) -> FigureComparison:
    result = pair.result
    compared = result if isinstance(result, Comparison) else None
    return FigureComparison(
        stage=pair.before.stage,
        name=pair.before.name,
        label=pair.before.label,
        unit=pair.before.unit,
        above_room=pair.before.above_room,
        before=_mean(pair.before),
        after=_mean(pair.after),
        difference=compared.difference if compared else None,
        low=compared.low if compared else None,
        high=compared.high if compared else None,
        p_value=p_value,
        answer=_answer(pair, p_value),
        reason=result.slug if isinstance(result, Refusal) else "",
        spread=pair.spread.value.sd if pair.spread and compared else None,
        spread_df=pair.spread.value.df if pair.spread and compared else None,
        spread_from=pair.spread.known_from if pair.spread and compared else "",
    )


def _mean(figure: RunFigure | None) -> float | None:
    return figure.level.mean if figure is not None and isinstance(figure.level, Level) else None


def _answer(pair: _Pair, p_value: float | None) -> Answer:
    if isinstance(pair.result, Refusal) or p_value is None:
        return "not_comparable"
    if p_value > _RISK:
        return "no_difference_shown"
    way: Literal["higher", "lower"] = "higher" if pair.result.difference > 0 else "lower"
    if pair.before.better == "neither":
        return way
    return "better" if way == pair.before.better else "worse"
