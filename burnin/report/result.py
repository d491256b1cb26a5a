"""The outcome of a run for programs: ``result.json``, versioned, with its schema in ``docs/schema/``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import msgspec

from burnin.records.codec import to_pretty_json
from burnin.records.events import FaultFound
from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.deviations import deviations
from burnin.report.figures import clock, local_time
from burnin.report.judgement import MOST_FAULTS, check_rows, open_points
from burnin.report.notes import beyond_ratings
from burnin.report.sentences import sentence
from burnin.report.text import verdict_line, verdict_reasons
from burnin.report.work import load_totals

RESULT_FORMAT: Final = 1


def build_result(view: RunView, findings: Sequence[Finding], verdict: Verdict) -> bytes:
    """Return ``result.json``: verdict, reasons, findings, work, faults and identity, keys in a fixed order."""
    opened = view.opened
    return to_pretty_json(
        {
            "format": RESULT_FORMAT,
            "run_id": opened.run_id,
            "rehearsal": opened.rehearsal,
            "retest_of": opened.retest_of,
            "redacted_from": opened.redacted_from,
            "earlier": [
                {"run_id": run.run_id, "standing": run.standing, "date": run.date} for run in opened.earlier
            ],
            "began": clock(local_time(opened.anchor)),
            "ended": clock(local_time(opened.anchor, view.end_ns)),
            "span_s": view.end_ns / 1e9,
            "plan": {"name": opened.plan.name, "title": opened.plan.title, "sha256": opened.plan_sha256},
            "order": _order(view),
            "workshop": opened.workshop.name,
            "software": msgspec.to_builtins(opened.software),
            "journal": msgspec.to_builtins(view.integrity),
            "verdict": _verdict(findings, verdict),
            "findings": [_finding(finding) for finding in findings],
            "checklist": [
                {
                    "line": row.line,
                    "text": row.text,
                    "outcome": row.outcome,
                    "answer": row.answer,
                    "operator": row.operator,
                }
                for row in check_rows(view, findings)
            ],
            "not_assessed": [
                {"what": point.what, "reason": point.reason} for point in open_points(view, findings)
            ],
            "deviations": [{"moment": item.moment, "text": item.text} for item in deviations(view)],
            "work": _work(view),
            "faults": _faults(view),
            "beyond_ratings": beyond_ratings(view)[0],
        }
    )


def _order(view: RunView) -> dict[str, Any] | None:
    order = view.opened.order
    if order is None:
        return None
    return {
        "order": order.order,
        "customer": order.customer,
        "serial": order.serial,
        "machine": order.machine,
    }


def _verdict(findings: Sequence[Finding], verdict: Verdict) -> dict[str, Any]:
    return {
        "standing": verdict.standing,
        "first_look": verdict.first_look,
        "line": verdict_line(verdict, findings),
        "reasons": list(verdict_reasons(findings, verdict)),
        "deciding_findings": list(verdict.reasons),
        "waivers": [
            {name: getattr(waiver, name) for name in ("criterion", "subject", "outcome", "reason", "by")}
            for waiver in verdict.waivers
        ],
        "stopped_for_safety": verdict.stopped_for_safety,
        "stopped_by_operator": verdict.stopped_by_operator,
        "exit_code": verdict.exit_code,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    names = finding.__struct_fields__
    fields = {name: getattr(finding, name) for name in names}
    return {**fields, "sentence": sentence(finding)}


def _work(view: RunView) -> list[dict[str, Any]]:
    return [
        {
            "load_id": item.started.load_id,
            "load": item.started.load,
            "stage": item.started.stage,
            "core": item.started.core,
            "steps": item.steps,
            "amount": item.amount,
            "unit": item.started.unit,
            "span_s": item.span_s,
            "faults": item.faults,
            "ended": item.ended,
        }
        for item in load_totals(view)
    ]


def _faults(view: RunView) -> dict[str, Any]:
    found = list(view.of(FaultFound))
    return {
        "count": len(found),
        "first": [
            {
                "load_id": event.load_id,
                "load": event.load,
                "kind": event.fault,
                "stage": event.stage,
                "core": event.core,
                "step": event.step,
                "seed": event.seed,
                "t_s": entry.t_ns / 1e9,
                "values": event.values,
            }
            for entry, event in found[:MOST_FAULTS]
        ],
    }
