"""How alike the cores of one kind run at the end of a hot stage."""

from __future__ import annotations

from dataclasses import dataclass

from burnin.calc.held import CoreSpread, core_spread
from burnin.calc.run_facts import StageRun, hot_runs
from burnin.calc.stage_levels import SETTLED_SHARE, on_all_cores, stretch, with_role
from burnin.records.channels import Channel
from burnin.records.view import RunView


@dataclass(frozen=True, kw_only=True)
class KindSpread:
    """The cores of one kind in one stage.

    Attributes:
        run: The stage.
        kind: Core type as the kernel states, empty where all are alike.
        channels: Their sensors, in the order of ``spread.means_c``.
        spread: The comparison.
    """

    run: StageRun
    kind: str
    channels: tuple[Channel, ...]
    spread: CoreSpread

    @property
    def step_k(self) -> float:
        """Half width that the sensors' steps leave in a difference of two means."""
        return max((channel.resolution or 0.0 for channel in self.channels), default=0.0) / 2


def spreads(view: RunView) -> tuple[KindSpread, ...]:
    """Return the spread over the last quarter of every stage that loaded all cores evenly, kind by kind."""
    kinds = cores_by_kind(view)
    found = []
    for run in hot_runs(view):
        if not on_all_cores(run.plan):
            continue
        for kind, channels in kinds.items():
            from_s = run.span.span_s * (1 - SETTLED_SHARE)
            spread = core_spread(*stretch(view, run, channels, from_s=from_s))
            if isinstance(spread, CoreSpread):
                found.append(KindSpread(run=run, kind=kind, channels=channels, spread=spread))
    return tuple(found)


def cores_by_kind(view: RunView) -> dict[str, tuple[Channel, ...]]:
    """Return the core sensors by core type: cores of different types are not meant to be alike."""
    type_of = {core.cpu: core.kind for core in view.inventory.cpu.cores}
    found: dict[str, list[Channel]] = {}
    for channel in with_role(view, "cpu_core", quantity="temperature"):
        kinds = {type_of.get(cpu, "") for cpu in channel.cores} or {""}
        found.setdefault(min(kinds), []).append(channel)
    return {kind: tuple(channels) for kind, channels in found.items()}


def worst(found: tuple[KindSpread, ...]) -> KindSpread | None:
    """Return the stage and kind with the widest spread, None for none."""
    return max(found, key=lambda each: each.spread.spread_k, default=None)
