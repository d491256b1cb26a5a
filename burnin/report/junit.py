"""The findings of a run as JUnit XML, for shops whose systems collect test results in that form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.figures import local_time
from burnin.report.sentences import sentence
from burnin.report.text import verdict_line
from burnin.report.words import plain_name, shown_text

_SKIPPED: Final = ("inconclusive", "not_applicable")


def build_junit(view: RunView, findings: Sequence[Finding], verdict: Verdict) -> bytes:
    """Return one test suite with one test case for each finding: a fail is a failure, an open answer is skipped.

    *Format*: the ``testsuites / testsuite / testcase`` elements with ``failure`` and ``skipped``, as common among
    continuous-integration systems; there is no formal standard. The verdict stands in the suite's properties, because
    this form has no word for *inconclusive*.
    """
    root = Element("testsuites")
    suite = SubElement(root, "testsuite", _suite(view, findings))
    properties = SubElement(suite, "properties")
    for name, value in _properties(view, findings, verdict):
        SubElement(properties, "property", {"name": name, "value": value})
    for finding in findings:
        _case(suite, finding)
    indent(root)
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + tostring(root, encoding="unicode").encode() + b"\n"


def _suite(view: RunView, findings: Sequence[Finding]) -> dict[str, str]:
    return {
        "name": shown_text(view.opened.plan.name),
        "id": shown_text(view.opened.run_id),
        "tests": str(len(findings)),
        "failures": str(sum(finding.outcome == "fail" for finding in findings)),
        "skipped": str(sum(finding.outcome in _SKIPPED for finding in findings)),
        "errors": "0",
        "time": f"{view.end_ns / 1e9:.3f}",
        "timestamp": local_time(view.opened.anchor).isoformat(timespec="seconds"),
    }


def _properties(view: RunView, findings: Sequence[Finding], verdict: Verdict) -> list[tuple[str, str]]:
    order = view.opened.order
    return [
        ("verdict", verdict.standing),
        ("verdict line", verdict_line(verdict, findings)),
        ("exit code", str(verdict.exit_code)),
        ("rehearsal", "yes" if view.opened.rehearsal else "no"),
        ("order", shown_text(order.order) if order else ""),
        ("serial", shown_text(order.serial) if order else ""),
    ]


def _case(suite: Element, finding: Finding) -> None:
    about = " / ".join(shown_text(part) for part in (finding.stage, finding.subject) if part)
    name = about or plain_name(finding.slug)
    case = SubElement(suite, "testcase", {"classname": shown_text(finding.criterion), "name": name})
    if finding.outcome == "fail":
        SubElement(case, "failure", {"message": sentence(finding), "type": shown_text(finding.slug)})
    elif finding.outcome in _SKIPPED:
        SubElement(case, "skipped", {"message": sentence(finding)})
