"""What was judged: criteria, checklist, what stayed open, and every fault in full."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from burnin.records.events import FaultFound, OperatorAnswered, Preflight
from burnin.records.findings import Finding, Verdict
from burnin.records.paperwork import Answer, ChecklistLine
from burnin.records.plan import Scalar
from burnin.records.view import RunView
from burnin.report.figures import Shown, decimals_for, shown, span, unit_sign
from burnin.report.sentences import sentence
from burnin.report.text import OUTCOME_WORDS, outcome_word
from burnin.report.words import listed, plain_name, shown_text
from burnin.report.work import ranges

MOST_FAULTS: Final = 200
CHECKLIST_CRITERION: Final = "checklist_lines"
_ON_PAPER: Final = 4
_ORDER: Final = ("fail", "inconclusive", "pass", "not_applicable")


@dataclass(frozen=True, kw_only=True)
class FindingRow:
    """One judgement in the table.

    Attributes:
        outcome: Slug of the outcome, for the sign.
        word: The outcome in words.
        criterion: Name of the rule.
        about: Subject and stage.
        sentence: The finding in words.
        observed: Figure measured.
        limit: Figure it is held against.
        uncertainty: Half width of its 95 % interval.
        margin: How far inside the limit.
        unit: Unit of all four.
        evidence: Journal lines it rests on.
        waived: True when a waiver covers it.
        paper: False for a row that only the screen shows, because its like already stands on paper.
        brief: True where the figures say on paper all that the sentence says.
    """

    outcome: str
    word: str
    criterion: str
    about: str
    sentence: str
    observed: Shown
    limit: Shown
    uncertainty: Shown
    margin: Shown
    unit: str
    evidence: str
    waived: bool
    paper: bool
    brief: bool


@dataclass(frozen=True, kw_only=True)
class CheckRow:
    """One line of the checklist with its answer."""

    line: str
    outcome: str
    word: str
    text: str
    answer: str
    observed: Shown
    limit: Shown
    unit: str
    operator: str
    why: str
    source: str


@dataclass(frozen=True, kw_only=True)
class OpenPoint:
    """Something that was not assessed, with the reason; ``judged`` where the table of criteria says so too."""

    what: str
    reason: str
    judged: bool = False
    count: int = 1


@dataclass(frozen=True, kw_only=True)
class FaultRow:
    """One wrong result, in full."""

    number: int
    load: str
    kind: str
    stage: str
    core: str
    step: int
    seed: str
    moment: str
    values: tuple[tuple[str, str], ...]


def finding_rows(findings: Sequence[Finding], verdict: Verdict) -> tuple[FindingRow, ...]:
    """Return findings for the table, worst first, then in the order they were judged."""
    order = sorted(findings, key=lambda finding: _ORDER.index(sign_of(finding)))
    alike = Counter(_kind(finding) for finding in order)
    printed: Counter[tuple[str, str, str]] = Counter()
    rows = []
    for finding in order:
        kind = _kind(finding)
        printed[kind] += 1
        few = finding.outcome == "fail" or alike[kind] <= _ON_PAPER + 1 or printed[kind] <= _ON_PAPER
        rows.append(_finding_row(finding, verdict, paper=few))
    return tuple(rows)


def sign_of(finding: Finding) -> str:
    """Return whose sign a finding bears: a missed target is no fail, it bears that of an open answer."""
    return "inconclusive" if finding.advisory and finding.outcome == "fail" else finding.outcome


def _kind(finding: Finding) -> tuple[str, str, str]:
    return finding.criterion, finding.slug, finding.outcome


def _finding_row(finding: Finding, verdict: Verdict, *, paper: bool) -> FindingRow:
    decimals = _row_decimals(finding)
    stage = f"stage {shown_text(finding.stage)}" if finding.stage else ""
    return FindingRow(
        outcome=sign_of(finding),
        word=outcome_word(finding),
        criterion=plain_name(finding.criterion),
        about=", ".join(part for part in (shown_text(finding.subject), stage) if part),
        sentence=sentence(finding),
        observed=shown(finding.observed, decimals),
        limit=shown(finding.limit, decimals),
        uncertainty=shown(finding.uncertainty, decimals_for(finding.unit, finding.uncertainty)),
        margin=shown(finding.margin, decimals),
        unit=unit_sign(finding.unit),
        evidence=ranges(sorted(set(finding.evidence))),
        waived=_waived(finding, verdict),
        paper=paper,
        brief=finding.outcome == "pass" and finding.observed is not None and finding.limit is not None,
    )


def _row_decimals(finding: Finding) -> int | None:
    """Return decimals that keep the observed figure apart from its limit, and the margin from nothing."""
    figures = decimals_for(finding.unit, finding.observed, finding.limit)
    margin = decimals_for(finding.unit, finding.margin)
    return None if figures is None or margin is None else max(figures, margin)


def _waived(finding: Finding, verdict: Verdict) -> bool:
    return finding.outcome in {"fail", "inconclusive"} and any(
        waiver.criterion == finding.criterion and waiver.subject in {"", finding.subject}
        for waiver in verdict.waivers
    )


def check_rows(view: RunView, findings: Sequence[Finding]) -> tuple[CheckRow, ...]:
    """Return the checklist line by line; a line without a finding is not judged."""
    checklist = view.opened.checklist
    if checklist is None:
        return ()
    answers = {event.answer.line: event.answer for _, event in view.of(OperatorAnswered)}
    return tuple(
        _check_row(
            line, next((item for item in findings if _is_about(item, line)), None), answers.get(line.id)
        )
        for line in checklist.lines
    )


def _check_row(line: ChecklistLine, finding: Finding | None, answer: Answer | None) -> CheckRow:
    outcome = finding.outcome if finding else "inconclusive"
    observed, limit = (finding.observed, finding.limit) if finding else (None, line.at_least)
    unit = (finding.unit if finding else "") or line.unit
    decimals = None if unit == "" else decimals_for(unit, observed, limit)
    remark = f": {shown_text(answer.remark)}" if answer and answer.remark else ""
    told = finding is not None and finding.slug.startswith("operator_")
    text = shown_text(line.text)
    return CheckRow(
        line=shown_text(line.id),
        outcome=outcome,
        word=OUTCOME_WORDS[outcome],
        text=text,
        answer=_without(text, sentence(finding))
        if finding
        else "Not measured, because no rule judged this line.",
        observed=shown(observed, decimals),
        limit=shown(limit, decimals),
        unit=unit_sign(unit),
        operator=f"the operator answered {answer.answer}{remark}" if answer and not told else "",
        why=shown_text(line.why),
        source=shown_text(line.source),
    )


def _without(text: str, answer: str) -> str:
    """Return the answer without the requirement it repeats, which stands beside it in the table."""
    rest = answer.removeprefix(f"{text}: ")
    return rest[:1].upper() + rest[1:]


def checklist_findings(view: RunView, findings: Sequence[Finding]) -> tuple[int, ...]:
    """Return the indices of the findings that the checklist's own table shows."""
    lines = view.opened.checklist.lines if view.opened.checklist else ()
    first = (
        next((index for index, item in enumerate(findings) if _is_about(item, line)), None) for line in lines
    )
    return tuple(index for index in first if index is not None)


def _is_about(finding: Finding, line: ChecklistLine) -> bool:
    return finding.criterion == CHECKLIST_CRITERION and finding.subject == line.id


def open_points(view: RunView, findings: Sequence[Finding]) -> tuple[OpenPoint, ...]:
    """Return what was not assessed: absent sensors, unknown parts, what preflight knew, findings left open."""
    points = [OpenPoint(what=shown_text(item.what), reason=shown_text(item.reason)) for item in view.absent]
    for _, event in view.of(Preflight):
        points += [
            OpenPoint(what=shown_text(item.what), reason=shown_text(item.reason))
            for item in event.cannot_judge
        ]
        points += [
            OpenPoint(what=f"plugin {shown_text(name)}", reason=f"broken: {shown_text(reason)}")
            for name, reason in sorted(event.broken_plugins.items())
        ]
    for finding in findings:
        if finding.outcome == "inconclusive":
            about = f" ({shown_text(finding.subject)})" if finding.subject else ""
            points.append(
                OpenPoint(
                    what=f"{plain_name(finding.criterion)}{about}", reason=sentence(finding), judged=True
                )
            )
    return _by_reason(tuple(dict.fromkeys(points)))


def _by_reason(points: tuple[OpenPoint, ...]) -> tuple[OpenPoint, ...]:
    """Return the points with those of one reason told together."""
    together: dict[tuple[str, bool], list[str]] = {}
    for point in points:
        together.setdefault((point.reason, point.judged), []).append(point.what)
    return tuple(
        OpenPoint(what=listed(whats), reason=reason, judged=judged, count=len(whats))
        for (reason, judged), whats in together.items()
    )


def fault_rows(view: RunView) -> tuple[FaultRow, ...]:
    """Return the first 200 wrong results in full; their number stands beside the table."""
    names = {stage.index: stage.name for stage in view.stage_spans()}
    rows = []
    for number, (entry, event) in enumerate(view.of(FaultFound), start=1):
        if number > MOST_FAULTS:
            break
        rows.append(
            FaultRow(
                number=number,
                load=plain_name(event.load),
                kind=plain_name(event.fault),
                stage=shown_text(names.get(event.stage, str(event.stage))),
                core="any" if event.core is None else str(event.core),
                step=event.step,
                seed=shown_text(event.seed),
                moment=f"{span(entry.t_ns / 1e9)} after the start",
                values=tuple((plain_name(key), scalar(value)) for key, value in sorted(event.values.items())),
            )
        )
    return tuple(rows)


def scalar(value: Scalar) -> str:
    """Return a value of a record in full: yes or no, the shortest exact number, or the text."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return shown_text(repr(value) if isinstance(value, float) else str(value))


def fault_count(view: RunView) -> int:
    """Return how many wrong results the run holds."""
    return sum(1 for _ in view.of(FaultFound))
