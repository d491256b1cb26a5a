"""What a channel said in one stage, and its mean over the part of a stage where it had settled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.run_facts import StageRun, during
from burnin.records.channels import Channel, Role
from burnin.records.plan import Stage
from burnin.records.view import RunView

SETTLED_SHARE: Final = 0.25
"""The last quarter of a stage stands for its end (common practice)."""


def on_all_cores(stage: Stage) -> bool:
    """Return whether a stage keeps a load at work on every core all the time."""
    return stage.shape.kind == "steady" and any(use.cores == "all" for use in stage.loads)


def with_role(view: RunView, role: Role, *, quantity: str) -> tuple[Channel, ...]:
    """Return the channels of a role, in column order."""
    return tuple(one for one in view.channels if one.role == role and one.quantity == quantity)


def hottest_channel(view: RunView) -> Channel | None:
    """Return what stands for the processor's temperature: its hottest reading, else a core, else None."""
    for role in ("cpu_hottest", "cpu_core"):
        found = with_role(view, role, quantity="temperature")
        if found:
            return found[0]
    return None


def stretch(
    view: RunView, run: StageRun, channels: Sequence[Channel], *, from_s: float = 0.0
) -> tuple[Floats, Floats]:
    """Return times and values of channels in a stage, from ``from_s`` after its start to its end.

    Returns:
        Seconds since the stage's start, strictly rising, shape (n,), and values, NaN where not good, shape (n, channels).
    """
    inside = during(view, run.span) & ((view.t_ns - run.span.start_ns) / 1e9 >= from_s)
    t_s, keep = np.unique((view.t_ns[inside] - run.span.start_ns) / 1e9, return_index=True)
    columns = [view.good(channel.id)[inside][keep] for channel in channels]
    return t_s, np.column_stack(columns) if columns else np.empty((len(t_s), 0))


def settled_mean(view: RunView, run: StageRun, channel: Channel) -> float | None:
    """Return the mean over the last quarter of a stage, None where less than half of it was read."""
    from_s = run.span.span_s * (1 - SETTLED_SHARE)
    values = stretch(view, run, (channel,), from_s=from_s)[1][:, 0]
    good = values[np.isfinite(values)]
    return float(np.mean(good)) if len(good) and 2 * len(good) >= len(values) else None
