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
from burnin.calc.work_rates import FEWEST_PIECES, WorkRates, compare_rates, together
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import LoadStarted
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import F64, RunView, WorkColumns

_NAME: Final = "work_done"
_SHARE: Final = 0.97
_FEWEST_SWEEPS: Final = 20
_MOST_PIECES: Final = 36
_WARM_UP_S: Final = 30.0
_LONGEST_PART_S: Final = 180.0
_LONG_PART_S: Final = 120.0
_CERTAIN: Final = 0.99
_HALF: Final = 0.5
_LATE_S: Final = 10.0
_UNEVEN: Final = frozenset({"one_core", "staircase"})
_OUTCOMES: Final[dict[str, Outcome]] = {
    "stalled": "fail",
    "slept": "fail",
    "late": "fail",
    "slower": "fail",
    "no_turn": "inconclusive",
    "short": "inconclusive",
    "open": "inconclusive",
    "turns": "pass",
    "worked": "pass",
    "even": "pass",
}
"""Answers, worst first."""


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What the record shows of one load instance: an answer already, or rates to compare."""

    load: LoadStarted
    slug: str = ""
    rates: WorkRates | None = None
    sweeps: int = 0
    by_clock: bool = False


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """The answer for a kind of load, and whom it speaks of."""

    slug: str
    subject: str
    share: float | None = None
    half_width: float | None = None
    sweeps: int = 0
    by_clock: bool = False


class WorkDone:
    """Compares the hot end of each soak with its cold start, load instance by load instance.

    Cold is the first third without its warm-up (the first tenth, at most 30 s), hot an equal part at the end, each at
    most three minutes. An instance fails when it is slower beyond doubt (99 % shared among the instances); a kind of load
    passes when all its instances together are as fast as asked (95 %) and none of them looks slower (levels: common
    practice). Between the two, and with fewer than twenty pieces in a part, the answer stays open, so that a busy
    neighbour on a shared machine rejects nothing. A load that did no work at all always fails.

    Loads of memory, drives and graphics go through contents that differ in speed; they are held to half their cold work,
    which a load that sleeps does not reach.
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
            kinds: dict[str, list[_Seen]] = {}
            for load in loads_in(view, run):
                kinds.setdefault(load.load, []).append(_see(view, run, load))
            found += [_finding(run, seen, _answer(seen, share=share), share=share) for seen in kinds.values()]
        return tuple(found) or (Finding(criterion=_NAME, slug="no_soak", outcome="inconclusive"),)


def _see(view: RunView, run: StageRun, load: LoadStarted) -> _Seen:
    columns = _within(view.work.get(load.load_id), run)
    sweeps = 0 if columns is None else len(columns.t_ns)
    if columns is None or sweeps < _FEWEST_SWEEPS:
        return _Seen(load=load, slug="short", sweeps=sweeps)
    idle = columns.steps[-1] == columns.steps[0]
    if run.plan.shape.kind in _UNEVEN:
        return _Seen(load=load, slug="no_turn" if idle else "worked", sweeps=sweeps)
    if idle:
        return _Seen(load=load, slug="stalled", sweeps=sweeps)
    ready_ns = max(entry.t_ns for entry, one in view.of(LoadStarted) if one.stage == run.span.index)
    first_s = (int(columns.t_ns[np.argmax(columns.steps > 0)]) - ready_ns) / 1e9
    if first_s > _LATE_S + run.span.span_s / 6:
        return _Seen(load=load, slug="late", sweeps=sweeps)
    edges = _parts(view, run, columns)
    if edges is not None and not np.ptp(columns.steps[columns.t_ns / 1e9 >= edges[1][0] - 1e-6]):
        return _Seen(load=load, slug="slept", sweeps=sweeps)
    if edges is None or len(edges[0]) <= FEWEST_PIECES or not columns.amount[-1] > 0:
        return _Seen(load=load, slug="short", sweeps=sweeps)
    cold, hot = _rates(columns, edges[0]), _rates(columns, edges[1])
    step = columns.amount[-1] / max(int(columns.steps[-1]), 1)
    grain = step / float(edges[0][1] - edges[0][0])
    clocks = _clocks(view, run, load, parts=edges)
    if clocks is not None:
        cold, hot, grain = cold / clocks[0], hot / clocks[1], grain / float(np.mean(clocks[0]))
    rates = WorkRates(cold=cold, hot=hot, grain=grain, curved=float(np.ptp(edges[0])) >= _LONG_PART_S)
    return _Seen(load=load, rates=rates, sweeps=sweeps, by_clock=clocks is not None)


def _answer(seen: list[_Seen], *, share: float) -> _Answer:
    """Return the worst answer of the instances, or what they show together."""
    answers = [_one(one, share=share, instances=len(seen)) for one in seen]
    worst = min(answers, key=_badness)
    rates = [one.rates for one in seen if one.rates is not None]
    if worst.slug != "even" and not (worst.slug == "open" and (worst.share or 0.0) >= share):
        return worst
    all_of_them = compare_rates(together(rates), share=share, certainty=_CERTAIN)
    return _Answer(
        slug=all_of_them.slug,
        subject=seen[0].load.load,
        share=all_of_them.share,
        half_width=all_of_them.half_width,
        sweeps=worst.sweeps,
        by_clock=worst.by_clock,
    )


def _badness(answer: _Answer) -> tuple[int, float]:
    return list(_OUTCOMES).index(answer.slug), math.inf if answer.share is None else answer.share


def _one(seen: _Seen, *, share: float, instances: int) -> _Answer:
    subject = load_subject(seen.load)
    if seen.rates is None:
        none = 0.0 if seen.slug in {"stalled", "slept", "late"} else None
        return _Answer(slug=seen.slug, subject=subject, share=none, sweeps=seen.sweeps)
    rates = compare_rates(seen.rates, share=share, certainty=1 - (1 - _CERTAIN) / instances)
    slug: str = rates.slug
    if resource_of(seen.load) != "cpu":
        slug = "turns" if (rates.share or 0.0) >= _HALF else "open"
    return _Answer(
        slug=slug,
        subject=subject,
        share=rates.share,
        half_width=rates.half_width,
        sweeps=seen.sweeps,
        by_clock=seen.by_clock,
    )


def _within(columns: WorkColumns | None, run: StageRun) -> WorkColumns | None:
    if columns is None:
        return None
    keep = (columns.t_ns > run.span.start_ns) & (columns.t_ns <= run.span.end_ns)
    return WorkColumns(t_ns=columns.t_ns[keep], steps=columns.steps[keep], amount=columns.amount[keep])


def _parts(view: RunView, run: StageRun, columns: WorkColumns) -> tuple[F64, F64] | None:
    """Return the edges of the pieces of the cold and of the hot part; None where the sweeps do not reach.

    Pieces are a whole number of sweeps long, in a pulsed stage of pulses. Time before the first work does not count.
    """
    start_s, end_s = columns.t_ns[np.argmax(columns.amount > 0)] / 1e9, columns.t_ns[-1] / 1e9
    if end_s < run.span.end_ns / 1e9 - run.span.span_s / 6:
        return None
    length_s = end_s - start_s
    cold_from_s = start_s + min(0.1 * length_s, _WARM_UP_S)
    grid_s = max(period_s(view), run.plan.shape.period_s if run.plan.shape.kind == "pulsed" else 0.0)
    part_s = min(start_s + length_s / 3 - cold_from_s, max(_LONGEST_PART_S, FEWEST_PIECES * grid_s))
    piece_s = grid_s * max(1, round(part_s / grid_s / _MOST_PIECES))
    pieces = int(part_s / piece_s + 1e-6)
    steps_s = np.arange(pieces + 1) * piece_s
    return (cold_from_s + steps_s, end_s - steps_s[::-1]) if pieces else None


def _rates(columns: WorkColumns, edges_s: F64) -> F64:
    return np.diff(work_between(columns, edges_s)) / np.diff(edges_s)


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


def _finding(run: StageRun, seen: list[_Seen], answer: _Answer, *, share: float) -> Finding:
    observed = None if answer.share is None else 100 * answer.share
    limit = 100 * (_HALF if answer.slug == "turns" else share)
    return Finding(
        criterion=_NAME,
        slug=answer.slug,
        outcome=_OUTCOMES[answer.slug],
        subject=answer.subject,
        values={
            "instances": len(seen),
            "sweeps": answer.sweeps,
            "needed_pieces": FEWEST_PIECES,
            "by_clock": answer.by_clock,
            "in_stage": run.span.name,
        },
        observed=observed,
        limit=limit,
        unit="%",
        uncertainty=None if answer.half_width is None else 100 * answer.half_width,
        margin=None if observed is None else observed - limit,
        evidence=run.span.seqs,
        stage=run.span.name,
    )


PLUGIN: Final = WorkDone()
