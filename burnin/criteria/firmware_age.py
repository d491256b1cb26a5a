"""The board's firmware is not older than the workshop allows, by the run's own clock."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Final

from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "firmware_age"
_DAYS_A_YEAR: Final = 365.25


class FirmwareAge:
    """Old firmware misses fixes for memory training and for the processor; its age says so, not its version number.

    What is newest for a board cannot be known without asking its maker: this rule compares dates only.
    """

    spec: Final = CriterionSpec(
        title="Firmware not too old", needs_run=False,
        params=(
            Param(name="years", default=3.0, about="Oldest firmware that passes without a word, years", low=0.1, high=30.0),
            Param(
                name="on_mistake",
                default="advise",
                about="What older firmware means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )  # fmt: skip

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding; inconclusive, without holding up acceptance, where no date is known."""
        board = view.inventory.board
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        made = _date(board.firmware_date)
        if made is None:
            reason = (
                board.unknown.get("firmware_date") or board.unknown.get("*") or "the firmware states no date"
            )
            return (
                Finding(
                    criterion=_NAME,
                    slug="not_known",
                    outcome="inconclusive",
                    required=False,
                    values={"reason": reason},
                    evidence=evidence,
                ),
            )
        today = datetime.fromtimestamp(view.opened.anchor.wall_ns // 10**9, tz=UTC).date()
        years = (today - made).days / _DAYS_A_YEAR
        limit = float(params["years"])
        old = years > limit
        mistake: Outcome = "fail" if params["on_mistake"] == "fail" else "pass"
        return (
            Finding(
                criterion=_NAME,
                slug="old" if old else "recent",
                outcome=mistake if old else "pass",
                values={
                    "version": board.firmware_version or "not stated", "date": made.isoformat(), "advice": old
                },
                observed=round(years, 2),
                limit=limit,
                unit="years",
                margin=round(limit - years, 2),
                evidence=evidence,
            ),
        )  # fmt: skip


def _date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text or "")
    except ValueError:
        return None


PLUGIN: Final = FirmwareAge()
