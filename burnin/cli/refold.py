"""The verdict of a result folded anew from the findings that stand in it: all that can be done without the journal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np

from burnin.criteria.verdict import fold
from burnin.journal.verify import Check
from burnin.records.events import Anchor, OperatorStopped, RunOpened, SafetyTripped, Software
from burnin.records.findings import Finding, Verdict, WaiverUsed
from burnin.records.plan import Plan, Waiver
from burnin.records.view import Entry, Integrity, RunView
from burnin.report.text import verdict_line


class _Stated(msgspec.Struct):
    """What a result says about its verdict."""

    standing: str
    first_look: bool
    line: str
    waivers: tuple[WaiverUsed, ...]
    stopped_for_safety: bool
    stopped_by_operator: bool
    exit_code: int


class _Result(msgspec.Struct):
    """What is needed of ``result.json``."""

    run_id: str
    verdict: _Stated
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True)
class Refolded:
    """What the findings fold to.

    Attributes:
        check: Whether that is what the result says.
        line: The verdict in words, empty where the result cannot be read.
    """

    check: Check
    line: str


def refold(result: bytes) -> Refolded:
    """Return whether the findings in a result fold to the verdict it states."""
    try:
        told = msgspec.json.decode(result, type=_Result)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        check = Check(
            subject="verdict", outcome="changed", found=str(error), expected="findings and a verdict"
        )
        return Refolded(check=check, line="")
    verdict = fold(_view(told), told.findings)
    line = verdict_line(verdict, told.findings)
    found, expected = _shown(told.verdict), _stated(verdict, line)
    if found == expected:
        return Refolded(check=Check(subject="verdict", outcome="ok"), line=line)
    place = ", ".join(key for key in found if found[key] != expected[key])
    check = Check(
        subject="verdict",
        outcome="changed",
        place=place,
        found="; ".join(str(found[key]) for key in found if found[key] != expected[key]),
        expected="; ".join(str(expected[key]) for key in found if found[key] != expected[key])
        + ", as the findings fold to",
    )
    return Refolded(check=check, line=line)


def _shown(stated: _Stated) -> dict[str, Any]:
    return {key: getattr(stated, key) for key in ("standing", "first_look", "line", "exit_code")}


def _stated(verdict: Verdict, line: str) -> dict[str, Any]:
    return {
        "standing": verdict.standing,
        "first_look": verdict.first_look,
        "line": line,
        "exit_code": verdict.exit_code,
    }


def _view(told: _Result) -> RunView:
    """Return a run that has nothing but what the fold looks at."""
    stated = told.verdict
    waivers = tuple(
        Waiver(criterion=used.criterion, subject=used.subject, reason=used.reason, by=used.by)
        for used in stated.waivers
    )
    opened = RunOpened(
        journal_format=1,
        run_id=told.run_id,
        anchor=Anchor(wall_ns=0, utc_offset_s=0, mono_ns=0, boot_ns=0),
        software=Software(burnin="", python=""),
        plan=Plan(format=1, name="", title="", first_look=stated.first_look, waivers=waivers),
        plan_sha256="",
    )
    entries = [Entry(seq=0, t_ns=0, segment=0, event=opened)]
    if stated.stopped_for_safety:
        tripped = SafetyTripped(why="value", read_ns=0)
        entries.append(Entry(seq=1, t_ns=0, segment=0, event=tripped))
    if stated.stopped_by_operator:
        entries.append(Entry(seq=len(entries), t_ns=0, segment=0, event=OperatorStopped(signal="")))
    nothing = np.zeros(0, dtype=np.int64)
    return RunView(
        opened=opened,
        entries=tuple(entries),
        t_ns=nothing,
        seq=nothing,
        values=np.zeros((0, 0), dtype=np.float32),
        quality=np.zeros((0, 0), dtype=np.uint8),
        integrity=Integrity(lines=0, head_sha256=""),
    )
