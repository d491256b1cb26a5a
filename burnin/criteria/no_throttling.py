"""The processor was never throttled: its counters stand where they stood, and the kernel said nothing of heat."""

from __future__ import annotations

from typing import Final

import numpy as np

from burnin.calc.run_facts import counter_rise
from burnin.plugin.contracts import CriterionSpec
from burnin.records.channels import Channel
from burnin.records.events import KernelLine
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "no_throttling"


class NoThrottling:
    """Throttle counters must not move during the run.

    A machine without such a counter is not assessed: inconclusive, since no counter is no proof.
    """

    spec: Final = CriterionSpec(title="No throttling")

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one fail per counter that moved and one for kernel lines, else one finding for the run."""
        counters = [channel for channel in view.channels if channel.role == "throttle_count"]
        moved = [(channel, rise) for channel in counters if (rise := counter_rise(view, channel))]
        lines = [(entry.seq, event.text) for entry, event in view.of(KernelLine) if event.what == "thermal"]
        found = [_moved(channel, rise) for channel, rise in moved]
        if lines:
            found.append(_said(lines))
        return tuple(found) or (_quiet(view, counters),)


def _moved(channel: Channel, rise: float) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="throttled",
        outcome="fail",
        subject=channel.label,
        values={"channel": channel.id, "place": channel.place or "place not stated"},
        observed=rise,
        limit=0.0,
        unit="count",
        margin=-rise,
    )


def _said(lines: list[tuple[int, str]]) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="kernel_said",
        outcome="fail",
        values={"line": lines[0][1], "count": len(lines)},
        observed=float(len(lines)),
        limit=0.0,
        unit="count",
        evidence=tuple(seq for seq, _ in lines[:50]),
    )


def _quiet(view: RunView, counters: list[Channel]) -> Finding:
    read = sum(bool(np.count_nonzero(np.isfinite(view.good(channel.id))) >= 2) for channel in counters)
    slug = "not_read" if counters else "no_counter"
    if read and read == len(counters):
        slug = "none"
    reasons = [absence.reason for absence in view.absent if "throttle" in absence.what.lower()]
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="pass" if slug == "none" else "inconclusive",
        values={
            "counters": len(counters),
            "read": read,
            "reason": reasons[0] if reasons else "the machine shows no throttle counter",
        },
        observed=0.0 if slug == "none" else None,
        limit=0.0,
        unit="count",
    )


PLUGIN: Final = NoThrottling()
