"""Judgements: findings, and the verdict they fold to. Criteria fill these; the report finds the words."""

from __future__ import annotations

from typing import Literal

from burnin.records.base import LooseRecord
from burnin.records.plan import Scalar

Outcome = Literal["pass", "fail", "inconclusive", "not_applicable"]
Standing = Literal["accepted", "rejected", "inconclusive"]


class Finding(LooseRecord, frozen=True, kw_only=True):
    """One answer of one criterion.

    Attributes:
        criterion: The criterion's name.
        slug: Which sentence the report writes; unique per criterion.
        outcome: Pass, fail, inconclusive or not applicable.
        required: Whether an inconclusive answer makes the verdict inconclusive.
        subject: What it is about (a load on a core, a channel, a checklist line), as people call it; empty for the run.
        values: Figures and words for the sentence.
        observed: The figure measured, in ``unit``; None where there is none.
        limit: The figure it is held against, in ``unit``; None where there is none.
        unit: Unit of observed, limit, uncertainty and margin.
        uncertainty: Half width of the 95 % interval of the observed figure; None where unknown.
        margin: How far inside the limit; negative outside.
        evidence: Sequence numbers of the journal records it rests on (the first 50).
        safety: True for a rule that no waiver can touch.
        advisory: True for a workshop's target: shown, whatever the answer, and never part of the verdict.
        stage: Stage it is about; empty for the whole run.
    """

    criterion: str
    slug: str
    outcome: Outcome
    required: bool = True
    subject: str = ""
    values: dict[str, Scalar] = {}
    observed: float | None = None
    limit: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    margin: float | None = None
    evidence: tuple[int, ...] = ()
    safety: bool = False
    advisory: bool = False
    stage: str = ""


class WaiverUsed(LooseRecord, frozen=True, kw_only=True):
    """A waiver that changed the verdict.

    Attributes:
        criterion: The criterion waived.
        subject: The subject waived.
        outcome: What the criterion had answered.
        reason: Why it was waived.
        by: Who decided.
    """

    criterion: str
    subject: str
    outcome: Outcome
    reason: str
    by: str


class Verdict(LooseRecord, frozen=True, kw_only=True):
    """What all findings fold to.

    Attributes:
        standing: Accepted, rejected or inconclusive.
        first_look: True when the plan was too short to accept anything.
        reasons: Indices into the list of findings that decide the standing, worst first.
        waivers: Waivers that changed the standing.
        stopped_for_safety: True when a safety trip ended the run.
        stopped_by_operator: True when the operator ended the run.
        exit_code: 0 accepted, 1 rejected, 3 inconclusive, 4 stopped by the operator, 5 stopped for safety.
    """

    standing: Standing
    first_look: bool
    reasons: tuple[int, ...]
    waivers: tuple[WaiverUsed, ...] = ()
    stopped_for_safety: bool = False
    stopped_by_operator: bool = False
    exit_code: int
