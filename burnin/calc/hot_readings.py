"""The hottest a sensor said while the machine was under load, and how far it can be trusted to have said it all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from burnin.calc.run_facts import hot_sweeps
from burnin.records.channels import IMPLAUSIBLE, MISSING, Channel
from burnin.records.view import RunView


@dataclass(frozen=True, kw_only=True)
class HotReading:
    """What one channel said in the soak and combined stages.

    Attributes:
        highest: Highest good value in the channel's unit; None where there is none.
        seq: Sequence number of the sweep that holds it; -1 where there is none.
        sweeps: Sweeps in those stages.
        good: Good readings among them.
        missing: Missing ones.
        implausible: Implausible ones.
        gone_at_end: The last reading is missing although there were good ones before.
    """

    highest: float | None
    seq: int
    sweeps: int
    good: int
    missing: int
    implausible: int
    gone_at_end: bool


def hot_reading(view: RunView, channel: Channel) -> HotReading:
    """Return what ``channel`` said while the machine was meant to be hot; implausible values never decide."""
    hot = hot_sweeps(view)
    values = view.good(channel.id)[hot]
    quality = view.column(channel.id)[1][hot]
    good = np.flatnonzero(np.isfinite(values))
    hottest = int(good[np.argmax(values[good])]) if len(good) else -1
    return HotReading(
        highest=float(values[hottest]) if len(good) else None,
        seq=int(view.seq[hot][hottest]) if len(good) else -1,
        sweeps=len(values),
        good=len(good),
        missing=int(np.count_nonzero(quality == MISSING)),
        implausible=int(np.count_nonzero(quality == IMPLAUSIBLE)),
        gone_at_end=len(good) > 0 and quality[-1] == MISSING,
    )
