"""Drives call themselves healthy, and are as new as the machine."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding
from burnin.records.inventory import Drive
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "drive_wear"
_RATED_PCT: Final = 100.0
"""Rated endurance used up (NVMe base specification, SMART log, percentage used)."""


class DriveWear:
    """A drive that reports a fault, or has used up its rated endurance, fails; one worn more than a new one is advice.

    A drive that gives no report is open, which keeps no machine from being accepted.
    """

    spec: Final = CriterionSpec(
        title="Drives healthy and hardly worn",
        needs_run=False,
        params=(
            Param(
                name="most_pct",
                default=5.0,
                about="Share of rated endurance used that passes without a word, percent",
                low=0.0,
                high=100.0,
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each drive, or one where no drive is listed."""
        storage = view.inventory.storage
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        reason = storage.unknown.get("health") or storage.unknown.get("*") or "no drive reports on itself"
        limit = float(params["most_pct"])
        found = tuple(_judged(drive, limit, reason, evidence) for drive in storage.drives)
        return found or (
            Finding(
                criterion=_NAME,
                slug="no_drive",
                outcome="inconclusive",
                required=False,
                values={"reason": storage.unknown.get("drives", reason)},
                evidence=evidence,
            ),
        )


def _judged(drive: Drive, limit: float, reason: str, evidence: tuple[int, ...]) -> Finding:
    wear = drive.wear_pct
    values: dict[str, Scalar] = {"model": drive.model or "model not stated"}
    if drive.healthy is False:
        slug = "unhealthy"
    elif drive.healthy is None and wear is None:
        slug = "not_known"
        values["reason"] = reason
    elif wear is None:
        slug = "healthy"
    elif wear >= _RATED_PCT:
        slug = "worn_out"
    else:
        slug = "worn" if wear > limit else "fresh"
    if slug == "worn":
        values["advice"] = True
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="fail"
        if slug in {"unhealthy", "worn_out"}
        else "inconclusive"
        if slug == "not_known"
        else "pass",
        required=slug != "not_known",
        subject=drive.name,
        values=values,
        observed=wear,
        limit=None if wear is None else limit,
        unit="" if wear is None else "%",
        margin=None if wear is None else limit - wear,
        evidence=evidence,
    )


PLUGIN: Final = DriveWear()
