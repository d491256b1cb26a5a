"""Fans and pumps turn under load: what turned at rest does not stand still when it is needed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from burnin.calc.run_facts import StageRun, hot_runs, loads_in, resource_of, stage_runs
from burnin.calc.stage_levels import settled_mean, stretch
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.channels import Channel
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "fan_response"
_CHANGE_PCT: Final = 5.0
_STANDS_RPM: Final = 1.0
_TURNS_SHARE: Final = 0.5


class FanResponse:
    """Each tachometer, at rest against the end of the longest hot stage.

    One that never turned is an empty header and is left out. Fans that stop at rest and start under load are in order.
    Fans of a graphics card are left out unless the card was loaded: many stand still until it is warm.
    """

    spec: Final = CriterionSpec(
        title="Fans and pumps answer the load",
        params=(
            Param(
                name="change_pct",
                default=_CHANGE_PCT,
                about="smallest change of speed that counts as an answer, %",
                low=0.5,
                high=50.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per fan and pump that turned at all, or one that says why there is none."""
        change = float(params.get("change_pct", _CHANGE_PCT))
        hot = _longest(hot_runs(view))
        tachometers = _tachometers(view, hot)
        rest = _longest(run for run in stage_runs(view) if run.plan.kind == "idle")
        if not tachometers or hot is None:
            slug = "no_tachometer" if not tachometers else "no_soak"
            return (_open(slug),)
        found = [_judged(view, one, hot, rest, change_pct=change) for one in tachometers]
        return tuple(each for each in found if each is not None) or (_open("never_turned"),)


def _tachometers(view: RunView, hot: StageRun | None) -> list[Channel]:
    cards = {_chip(one) for one in view.channels if one.role == "graphics"}
    loaded = hot is not None and any(resource_of(load) == "graphics" for load in loads_in(view, hot))
    return [
        one for one in view.channels if one.quantity == "fan_speed" and (loaded or _chip(one) not in cards)
    ]


def _chip(channel: Channel) -> str:
    return channel.id.rpartition("/")[0]


def _longest(runs: Iterable[StageRun]) -> StageRun | None:
    return max(runs, key=lambda run: run.span.span_s, default=None)


def _open(slug: str) -> Finding:
    return Finding(criterion=_NAME, slug=slug, outcome="inconclusive", required=False)


def _turned(view: RunView, channel: Channel, run: StageRun | None) -> bool:
    """Return whether it turned in at least half of what was read in a stage: a tachometer may miss single pulses."""
    if run is None:
        return False
    values = stretch(view, run, (channel,))[1][:, 0]
    good = values[np.isfinite(values)]
    return len(good) > 0 and float(np.mean(good >= _STANDS_RPM)) >= _TURNS_SHARE


def _judged(
    view: RunView, channel: Channel, hot: StageRun, rest: StageRun | None, *, change_pct: float
) -> Finding | None:
    loaded = settled_mean(view, hot, channel)
    resting = settled_mean(view, rest, channel) if rest else None
    turned_before = _turned(view, channel, rest) or _turned(view, channel, hot)
    if not turned_before and not loaded:
        return None
    slug, outcome = _answer(loaded, resting, change_pct)
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=slug == "stopped",
        subject=channel.label,
        values={
            "channel": channel.id,
            "rest_rpm": 0.0 if resting is None else resting,
            "part": "pump" if channel.role == "pump" else "fan",
            "in_stage": hot.span.name,
        },
        observed=loaded,
        unit="rpm",
        evidence=hot.span.seqs,
    )


def _answer(loaded: float | None, resting: float | None, change_pct: float) -> tuple[str, Outcome]:
    if loaded is None:
        return "not_read", "inconclusive"
    if loaded < _STANDS_RPM:
        return "stopped", "fail"
    if resting is None:
        return "turned", "pass"
    if loaded - resting >= change_pct / 100 * max(resting, _STANDS_RPM):
        return "faster", "pass"
    return ("slower" if resting - loaded >= change_pct / 100 * resting else "constant"), "pass"


PLUGIN: Final = FanResponse()
