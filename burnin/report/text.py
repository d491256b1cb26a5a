"""Verdict and findings in plain words, for terminals and for the certificate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from burnin.records.events import FaultFound
from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.figures import span
from burnin.report.sentences import sentence
from burnin.report.words import counted, plain_name, shown_text

OUTCOME_WORDS: Final = {
    "pass": "pass",
    "fail": "fail",
    "inconclusive": "not judged",
    "not_applicable": "not applicable",
}
_LONGEST_LIST: Final = 12


def verdict_line(verdict: Verdict, findings: Sequence[Finding]) -> str:
    """Return the verdict in one line, waivers and the limits of a first look included."""
    if verdict.standing == "rejected":
        return "Rejected"
    if verdict.standing == "accepted":
        return "Accepted" + _waivers(verdict)
    seen = any(finding.outcome == "fail" and not finding.advisory for finding in findings)
    cut = any(finding.criterion == "run_complete" and finding.outcome != "pass" for finding in findings)
    stopped = verdict.stopped_for_safety or verdict.stopped_by_operator
    if verdict.first_look and not (stopped or cut or seen):
        return "First look: no fault seen (inconclusive)" + _waivers(verdict)
    return "Inconclusive" + _waivers(verdict)


def _waivers(verdict: Verdict) -> str:
    if not verdict.waivers:
        return ""
    texts = []
    for waiver in verdict.waivers:
        about = f" ({shown_text(waiver.subject)})" if waiver.subject else ""
        texts.append(
            f"{plain_name(waiver.criterion)}{about}, {shown_text(waiver.reason)}, decided by {shown_text(waiver.by)}"
        )
    return f" with {counted(len(verdict.waivers), 'waiver')}: {'; '.join(texts)}"


def finding_sentence(finding: Finding) -> str:
    """Return one finding in a plain sentence."""
    return sentence(finding)


def verdict_reasons(findings: Sequence[Finding], verdict: Verdict) -> tuple[str, ...]:
    """Return why the verdict is what it is, worst first, without repeating a sentence.

    Where something failed, the fails are told and the points that stayed open are counted.
    """
    lines = []
    if verdict.first_look and verdict.standing == "inconclusive":
        lines.append(FIRST_LOOK)
    if verdict.stopped_for_safety:
        lines.append("The run was stopped for safety.")
    if verdict.stopped_by_operator:
        lines.append("The operator stopped the run before its end.")
    deciding = [findings[index] for index in verdict.reasons if 0 <= index < len(findings)]
    fails = [finding for finding in deciding if finding.outcome == "fail"]
    lines += [sentence(finding) for finding in fails or deciding]
    if fails and len(fails) < len(deciding):
        lines.append(f"Besides, {counted(len(deciding) - len(fails), 'required point')} could not be judged.")
    if not lines:
        lines.append(_tally(findings))
    return tuple(dict.fromkeys(lines))


def _tally(findings: Sequence[Finding]) -> str:
    judged = [finding for finding in findings if finding.outcome in {"pass", "fail"} and not finding.advisory]
    passed = sum(finding.outcome == "pass" for finding in judged)
    still_open = sum(finding.outcome == "inconclusive" for finding in findings)
    rest = f"; {counted(still_open, 'further point')} could not be judged" if still_open else ""
    return f"{passed} of {len(judged)} judgements passed{rest}."


def plain_summary(view: RunView, findings: Sequence[Finding], verdict: Verdict) -> tuple[str, ...]:
    """Return the outcome of a run as lines for a terminal: verdict first, then reasons and counts."""
    lines = [verdict_line(verdict, findings)]
    if view.opened.rehearsal:
        lines.insert(0, REHEARSAL)
    reasons = verdict_reasons(findings, verdict)
    lines += [f"  {reason}" for reason in reasons[:_LONGEST_LIST]]
    if len(reasons) > _LONGEST_LIST:
        lines.append(
            f"  and {counted(len(reasons) - _LONGEST_LIST, 'more reason')}; the certificate lists all."
        )
    faults = sum(1 for _ in view.of(FaultFound))
    lines.append(
        f"Run {shown_text(view.opened.run_id)}, plan {shown_text(view.opened.plan.title)}, {span(view.end_ns / 1e9)}."
    )
    lines.append(f"{counted(faults, 'wrong result')} found; {outcome_counts(findings)}.")
    if view.opened.earlier:
        lines.append(f"Attempt {attempts_text(view)}.")
    return tuple(lines)


def attempts_text(view: RunView) -> str:
    """Return which attempt on its serial number a run is, and what became of the earlier ones; empty for the first known."""
    earlier = view.opened.earlier
    if not earlier:
        return ""
    words = [
        f"{plain_name(run.standing)} ({', '.join(shown_text(part) for part in (run.date, run.run_id) if part)})"
        for run in earlier
    ]
    return f"{len(earlier) + 1}; earlier: {', '.join(words)}"


def outcome_word(finding: Finding) -> str:
    """Return the outcome in words; a workshop's target that is not reached is missed, it does not fail."""
    if finding.advisory and finding.outcome == "fail":
        return MISSED
    return OUTCOME_WORDS[finding.outcome]


def outcome_counts(findings: Sequence[Finding]) -> str:
    """Return how many findings passed, failed, were not judged or did not apply, and how many targets were missed."""
    counts = dict.fromkeys(OUTCOME_WORDS.values(), 0)
    for finding in findings:
        word = outcome_word(finding)
        counts[word] = counts.get(word, 0) + 1
    return ", ".join(f"{number} {word}" for word, number in counts.items())


MISSED: Final = "target missed"
FIRST_LOOK: Final = "A first look is too short to accept a machine; it can only find faults."
REHEARSAL: Final = "Rehearsal on a simulated bench: this certifies nothing"
REDACTED: Final = (
    "customer's copy: customer's name, hardware addresses and serial numbers of drives were left out"
)
