"""The journal holds everything that was written to it."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import ClockStepped, RunRecovered, StorageTrouble
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "evidence_whole"


class EvidenceWhole:
    """A torn or damaged journal, lost lines or a machine that slept leave holes, and what is missing never passes.

    A torn last line that the recovery put on record with its digest is stated: nothing was hidden.
    """

    spec: Final = CriterionSpec(title="The record is whole")

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding per kind of hole, else a pass."""
        found = (*_damage(view), *_lines_lost(view), *_slept(view))
        return found or (_whole(view),)


def _damage(view: RunView) -> tuple[Finding, ...]:
    state = view.integrity
    if not state.dropped_bytes and not state.trouble:
        return ()
    return (
        Finding(
            criterion=_NAME,
            slug="damaged",
            outcome="inconclusive",
            values={"trouble": state.trouble or "an unfinished line", "line": state.lines},
            observed=float(state.dropped_bytes),
            limit=0.0,
            unit="bytes",
        ),
    )


def _lines_lost(view: RunView) -> tuple[Finding, ...]:
    lost = [(entry.seq, event) for entry, event in view.of(StorageTrouble) if event.lost]
    if not lost:
        return ()
    return (
        Finding(
            criterion=_NAME,
            slug="lines_lost",
            outcome="inconclusive",
            values={"error": lost[0][1].error, "what": lost[0][1].what},
            observed=float(sum(event.lost for _, event in lost)),
            limit=0.0,
            unit="count",
            evidence=tuple(seq for seq, _ in lost[:50]),
        ),
    )


def _slept(view: RunView) -> tuple[Finding, ...]:
    naps = [(entry.seq, event.by_s) for entry, event in view.of(ClockStepped) if event.what == "suspend"]
    if not naps:
        return ()
    return (
        Finding(
            criterion=_NAME,
            slug="slept",
            outcome="inconclusive",
            values={"times": len(naps)},
            observed=sum(by_s for _, by_s in naps),
            limit=0.0,
            unit="s",
            evidence=tuple(seq for seq, _ in naps[:50]),
        ),
    )


def _whole(view: RunView) -> Finding:
    torn = [(entry.seq, event) for entry, event in view.of(RunRecovered) if event.dropped_bytes]
    late = [entry.seq for entry, _ in view.of(StorageTrouble)]
    steps = [entry.seq for entry, _ in view.of(ClockStepped)]
    return Finding(
        criterion=_NAME,
        slug="recovered" if torn else "whole",
        outcome="pass",
        values={
            "lines": view.integrity.lines,
            "head_sha256": view.integrity.head_sha256,
            "dropped_bytes": sum(event.dropped_bytes for _, event in torn),
            "dropped_sha256": torn[0][1].dropped_sha256 if torn else "",
            "storage_waits": len(late),
            "clock_steps": len(steps),
        },
        evidence=(*(seq for seq, _ in torn), *late, *steps)[:50],
    )


PLUGIN: Final = EvidenceWhole()
