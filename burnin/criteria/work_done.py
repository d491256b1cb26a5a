"""The loads did as much work hot as cold: a machine that slows down under heat, or a load that slept, shows here."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.calc.run_facts import (
    StageRun,
    during,
    hot_runs,
    load_subject,
    loads_in,
    period_s,
    resource_of,
    work_between,
)
from burnin.calc.series import effective_size, lag_one
from burnin.calc.statistics import Sample, describe_sample, welch
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import LoadStarted
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import F64, RunView, WorkColumns

_NAME: Final = "work_done"
_SHARE: Final = 0.97
_FEWEST_SWEEPS: Final = 20
_FEWEST_PIECES: Final = 20
_ENOUGH_PIECES: Final = 24
_WARM_UP_S: Final = 30.0
_LONGEST_PART_S: Final = 120.0
_CERTAIN: Final = 0.99
_UNEVEN: Final = frozenset({"one_core", "staircase"})
_WORST_FIRST: Final = ("stalled", "slept", "slower", "open", "no_turn", "short", "even")
_OUTCOMES: Final[dict[str, Outcome]] = {
    "stalled": "fail",
    "slept": "fail",
    "slower": "fail",
    "open": "inconclusive",
    "no_turn": "inconclusive",
    "short": "inconclusive",
    "even": "pass",
}


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """One load instance: what its hot work says beside its cold work (share, 1 for equal)."""

    load: LoadStarted
    slug: str
    share: float | None = None
    half_width: float | None = None
    sweeps: int = 0
    by_clock: bool = False


class WorkDone:
    """Compares the hot end of each soak with its cold start, load instance by load instance.

    Cold is the first third without its warm-up (the first tenth, at most 30 s), hot an equal part at the end, each at
    most two minutes. The difference of the mean rates and its interval are Welch's (1947), with the number of sweeps
    lowered for neighbours that resemble each other (Bartlett 1935). A pass and a fail both need the whole interval on
    their side (95 % and 99 %, common practice). Between them, and with fewer than twenty sweeps in a part, the answer
    stays open, so that a busy neighbour on a shared machine rejects nothing; a load that did no work at all always fails.
    """

    spec: Final = CriterionSpec(
        title="Work done hot as cold",
        params=(
            Param(
                name="share",
                default=_SHARE,
                about="least hot work as a share of cold work",
                low=0.5,
                high=1.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per hot stage and kind of load, on its worst instance."""
        share = float(params.get("share", _SHARE))
        found = []
        for run in hot_runs(view):
            kinds: dict[str, list[_Answer]] = {}
            for load in loads_in(view, run):
                kinds.setdefault(load.load, []).append(_answer(view, run, load, share=share))
            found += [_finding(run, answers, share=share) for answers in kinds.values()]
        return tuple(found) or (Finding(criterion=_NAME, slug="no_soak", outcome="inconclusive"),)


def _answer(view: RunView, run: StageRun, load: LoadStarted, *, share: float) -> _Answer:
    columns = _within(view.work.get(load.load_id), run)
    sweeps = 0 if columns is None else len(columns.t_ns)
    if columns is None or sweeps < _FEWEST_SWEEPS:
        return _Answer(load=load, slug="short", sweeps=sweeps)
    idle = columns.steps[-1] == columns.steps[0]
    if run.plan.shape.kind in _UNEVEN:
        return _Answer(load=load, slug="no_turn" if idle else "even", sweeps=sweeps)
    if idle:
        return _Answer(load=load, slug="stalled", share=0.0, sweeps=sweeps)
    edges = _parts(view, run, columns)
    if edges is None:
        return _Answer(load=load, slug="short", sweeps=sweeps)
    cold, hot = _rates(columns, edges[0]), _rates(columns, edges[1])
    if not hot.any() and cold.any():
        return _Answer(load=load, slug="slept", share=0.0, sweeps=sweeps)
    if len(cold) < _FEWEST_PIECES:
        return _Answer(load=load, slug="short", sweeps=sweeps)
    return _compared(view, run, load, edges=edges, share=share)


def _within(columns: WorkColumns | None, run: StageRun) -> WorkColumns | None:
    if columns is None:
        return None
    keep = (columns.t_ns > run.span.start_ns) & (columns.t_ns <= run.span.end_ns)
    return WorkColumns(t_ns=columns.t_ns[keep], steps=columns.steps[keep], amount=columns.amount[keep])


def _parts(view: RunView, run: StageRun, columns: WorkColumns) -> tuple[F64, F64] | None:
    """Return the edges of the pieces of the cold and of the hot part; None where the sweeps do not reach.

    A piece is one sweep long, in a pulsed stage one pulse.
    """
    start_s, end_s = columns.t_ns[0] / 1e9, columns.t_ns[-1] / 1e9
    if end_s < run.span.end_ns / 1e9 - run.span.span_s / 6:
        return None
    pulse_s = run.plan.shape.period_s if run.plan.shape.kind == "pulsed" else 0.0
    piece_s = max(period_s(view), pulse_s)
    length_s = end_s - start_s
    cold_from_s = start_s + min(0.1 * length_s, _WARM_UP_S)
    part_s = min(start_s + length_s / 3 - cold_from_s, max(_LONGEST_PART_S, _ENOUGH_PIECES * piece_s))
    pieces = int(part_s / piece_s + 1e-6)
    steps_s = np.arange(pieces + 1) * piece_s
    return (cold_from_s + steps_s, end_s - steps_s[::-1]) if pieces else None


def _rates(columns: WorkColumns, edges_s: F64) -> F64:
    return np.diff(work_between(columns, edges_s)) / np.diff(edges_s)


def _compared(
    view: RunView, run: StageRun, load: LoadStarted, *, edges: tuple[F64, F64], share: float
) -> _Answer:
    columns = view.work[load.load_id]
    cold, hot = _rates(columns, edges[0]), _rates(columns, edges[1])
    clocks = _clocks(view, run, load, parts=edges)
    if clocks is not None:
        cold, hot = cold / clocks[0], hot / clocks[1]
    slug, half_width = _compare(hot, cold, share=share)
    mean = float(np.mean(cold))
    return _Answer(
        load=load,
        slug=slug,
        share=float(np.mean(hot)) / mean if mean > 0 else None,
        half_width=half_width / mean if mean > 0 else None,
        sweeps=int(np.count_nonzero((columns.t_ns >= run.span.start_ns) & (columns.t_ns <= run.span.end_ns))),
        by_clock=clocks is not None,
    )


def _clocks(
    view: RunView, run: StageRun, load: LoadStarted, *, parts: tuple[F64, F64]
) -> tuple[F64, F64] | None:
    """Return the mean clock of the load's core in every piece of both parts; None where it cannot be told."""
    if load.core is None or resource_of(load) != "cpu":
        return None
    channel = next((c for c in view.channels if c.role == "cpu_clock" and load.core in c.cores), None)
    if channel is None:
        return None
    inside = during(view, run.span)
    t_s, mhz = view.t_ns[inside] / 1e9, view.good(channel.id)[inside]
    means = [
        [_mean(mhz[(t_s > low) & (t_s <= high)]) for low, high in itertools.pairwise(edges)]
        for edges in parts
    ]
    cold, hot = (np.array(part) for part in means)
    return (cold, hot) if np.all(cold > 0) and np.all(hot > 0) else None


def _mean(values: F64) -> float:
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if len(good) else math.nan


def _sample(rates: F64, alike: float) -> Sample:
    sample = describe_sample(rates)
    return Sample(size=max(int(effective_size(alike, sample.size)), 2), mean=sample.mean, sd=sample.sd)


def _alike(*parts: F64) -> float:
    """Return the correlation of neighbouring pieces, the larger one of the parts, never below 0."""
    found = [lag_one(np.arange(len(part), dtype=np.float64), part) for part in parts]
    return max([0.0, *(value for value in found if math.isfinite(value))])


def _compare(hot: F64, cold: F64, *, share: float) -> tuple[str, float]:
    """Return the answer and the half width of the 95 % interval of the hot rate, in the unit of the rates."""
    alike = _alike(hot, cold)
    first, second = _sample(hot, alike), _sample(cold * share, alike)
    if first.sd == 0 and second.sd == 0:
        return ("even" if first.mean >= second.mean else "slower"), 0.0
    usual = welch(first, second)
    if usual.low >= 0:
        slug = "even"
    elif welch(first, second, confidence=_CERTAIN).high < 0:
        slug = "slower"
    else:
        slug = "open"
    return slug, (usual.high - usual.low) / 2


def _finding(run: StageRun, answers: list[_Answer], *, share: float) -> Finding:
    worst = min(answers, key=lambda a: (_WORST_FIRST.index(a.slug), math.inf if a.share is None else a.share))
    slug = "worked" if worst.slug == "even" and worst.share is None else worst.slug
    observed = None if worst.share is None else 100 * worst.share
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=_OUTCOMES[worst.slug],
        subject=load_subject(worst.load),
        values={
            "instances": len(answers),
            "sweeps": worst.sweeps,
            "needed_sweeps": _FEWEST_PIECES,
            "by_clock": worst.by_clock,
            "in_stage": run.span.name,
        },
        observed=observed,
        limit=100 * share,
        unit="%",
        uncertainty=None if worst.half_width is None else 100 * worst.half_width,
        margin=None if observed is None else observed - 100 * share,
        evidence=run.span.seqs,
        stage=run.span.name,
    )


PLUGIN: Final = WorkDone()
