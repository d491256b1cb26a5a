"""The machine's own error counters stood still, and its kernel logged no hardware error."""

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

_NAME: Final = "error_counters"
_HARDWARE: Final = ("machine_check", "memory", "pcie")


class ErrorCounters:
    """Errors that the machine corrects are errors: a counter that rises, or a line of the kernel about one, fails.

    Memory without check bits has no counter; that is stated and decides nothing, since no wrong result shows it too.
    """

    spec: Final = CriterionSpec(title="No hardware error counted or logged")

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one fail per counter that rose and per kind of kernel line, else one finding for the run."""
        counters = [channel for channel in view.channels if channel.role == "fault_count"]
        rises = [(channel, counter_rise(view, channel)) for channel in counters]
        found = [_rose(channel, rise) for channel, rise in rises if rise]
        for what in _HARDWARE:
            lines = [(entry.seq, event.text) for entry, event in view.of(KernelLine) if event.what == what]
            if lines:
                found.append(_logged(what, lines))
        return tuple(found) or (_still(view, counters),)


def _rose(channel: Channel, rise: float) -> Finding:
    return Finding(
        criterion=_NAME,
        slug="counted",
        outcome="fail",
        subject=channel.label,
        values={"channel": channel.id, "place": channel.place or "place not stated"},
        observed=rise,
        limit=0.0,
        unit="count",
        margin=-rise,
    )


def _logged(what: str, lines: list[tuple[int, str]]) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=f"logged_{what}",
        outcome="fail",
        values={"line": lines[0][1], "count": len(lines)},
        observed=float(len(lines)),
        limit=0.0,
        unit="count",
        evidence=tuple(seq for seq, _ in lines[:50]),
    )


def _still(view: RunView, counters: list[Channel]) -> Finding:
    read = sum(bool(np.count_nonzero(np.isfinite(view.good(channel.id))) >= 2) for channel in counters)
    slug = "not_read" if counters else "no_counter"
    if read and read == len(counters):
        slug = "none"
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="pass" if slug == "none" else "inconclusive",
        required=bool(counters),
        values={"counters": len(counters), "read": read},
        observed=0.0 if slug == "none" else None,
        limit=0.0,
        unit="count",
    )


PLUGIN: Final = ErrorCounters()
