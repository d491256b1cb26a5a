"""What each fan and pump header drives: which tachometer follows it, where it stalls, and whether control was given back."""

from __future__ import annotations

from typing import Final

from burnin.calc.fan_follow import follower
from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import FanHeader, FanSurvey
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "fan_survey"


class FanSurveyRule:
    """For information, but for control that was not given back: that fails, since the machine would run so.

    A header that nothing follows may be empty, or drive something without a tachometer.
    """

    spec: Final = CriterionSpec(title="Fan and pump headers")

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding per header; not applicable where no survey was asked for."""
        surveys = list(view.of(FanSurvey))
        if not surveys:
            return (Finding(criterion=_NAME, slug="not_asked", outcome="not_applicable", required=False),)
        entry, survey = surveys[-1]
        evidence = (entry.seq,)
        if survey.reason:
            return (_finding("not_made", "inconclusive", evidence, values={"reason": survey.reason}),)
        found = [_header(header, evidence) for header in survey.headers]
        if not survey.restored:
            found.append(_finding("not_restored", "fail", evidence))
        return tuple(found)


def _finding(
    slug: str,
    outcome: Outcome,
    evidence: tuple[int, ...],
    *,
    subject: str = "",
    values: dict[str, Scalar] | None = None,
) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=outcome == "fail",
        subject=subject,
        values=values or {},
        evidence=evidence,
    )


def _header(header: FanHeader, evidence: tuple[int, ...]) -> Finding:
    if header.trouble:
        told: dict[str, Scalar] = {"reason": header.trouble}
        return _finding("not_stepped", "inconclusive", evidence, subject=header.header, values=told)
    found = follower(header)
    if found is None:
        return _finding("nothing_follows", "inconclusive", evidence, subject=header.header)
    values: dict[str, Scalar] = {
        "tachometer": found.tachometer,
        "low_pct": min(found.speeds),
        "low_rpm": found.speeds[min(found.speeds)],
        "high_pct": max(found.speeds),
        "high_rpm": found.speeds[max(found.speeds)],
    }
    if found.stall_pct is None:
        return _finding("follows", "pass", evidence, subject=header.header, values=values)
    values["stall_pct"] = found.stall_pct
    if found.restart_pct is None:
        return _finding("stays_still", "inconclusive", evidence, subject=header.header, values=values)
    values["restart_pct"] = found.restart_pct
    return _finding("stalls", "pass", evidence, subject=header.header, values=values)


PLUGIN: Final = FanSurveyRule()
