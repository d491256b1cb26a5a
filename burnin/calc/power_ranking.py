"""Which load made the processor draw most: the mean package power at the end of each hot stage, most first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.calc.run_facts import hot_runs
from burnin.calc.stage_levels import on_all_cores, settled_mean, with_role
from burnin.records.view import RunView


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """What the loads of one stage drew.

    Attributes:
        loads: Names of the loads, in plan order.
        stage: Name of the stage.
        power_w: Mean package power over the last quarter of the stage, all packages together.
        seqs: Sequence numbers of the stage's lines.
    """

    loads: tuple[str, ...]
    stage: str
    power_w: float
    seqs: tuple[int, ...]


def power_ranking(view: RunView) -> tuple[Drawn, ...]:
    """Return what each set of loads drew where it ran steadily on all cores, most first; each set once, at its most."""
    channels = with_role(view, "cpu_power", quantity="power")
    best: dict[tuple[str, ...], Drawn] = {}
    for run in hot_runs(view):
        if not channels or not on_all_cores(run.plan):
            continue
        means = [settled_mean(view, run, channel) for channel in channels]
        known = [mean for mean in means if mean is not None]
        if len(known) < len(channels):
            continue
        loads = tuple(dict.fromkeys(use.load for use in run.plan.loads))
        drawn = Drawn(loads=loads, stage=run.span.name, power_w=sum(known), seqs=run.span.seqs)
        if loads not in best or drawn.power_w > best[loads].power_w:
            best[loads] = drawn
    return tuple(sorted(best.values(), key=lambda each: -each.power_w))


def sustained_limit_w(view: RunView) -> float | None:
    """Return the processor's sustained power limit as the hardware reports it, all packages together; None where unknown.

    A limit of a kilowatt or more for one package stands for "none" on consumer boards (common practice).
    """
    limits = [channel.limit_high for channel in with_role(view, "cpu_power", quantity="power")]
    known = [limit for limit in limits if limit is not None and 0 < limit < UNLIMITED_W]
    return sum(known) if known and len(known) == len(limits) else None


UNLIMITED_W: Final = 1000.0
