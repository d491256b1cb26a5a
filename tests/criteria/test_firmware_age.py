from __future__ import annotations

import pytest

from burnin.criteria.firmware_age import PLUGIN
from burnin.records.inventory import BoardPart, Inventory
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

ADVISE = {"years": 3.0, "on_mistake": "advise"}


def judge(date: str | None, params=ADVISE, **fields: object):
    """The told run starts on 2026-05-28 (1,780,000,000 s)."""
    inventory = Inventory(board=BoardPart(firmware_date=date, firmware_version="2.4", **fields))
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=inventory)
    (finding,) = PLUGIN.judge(builder.view(), params)
    return finding


@pytest.mark.parametrize(
    ("date", "slug"), [("2026-05-01", "recent"), ("2023-05-29", "recent"), ("2023-05-20", "old")]
)
def test_both_sides_of_three_years(date, slug):
    finding = judge(date)
    assert (finding.slug, finding.outcome) == (slug, "pass")
    assert finding.values["advice"] is (slug == "old")


def test_a_plan_can_make_it_a_fail():
    finding = judge("2020-01-01", {"years": 3.0, "on_mistake": "fail"})
    assert (finding.outcome, finding.observed) == ("fail", 6.4)


@pytest.mark.parametrize("date", [None, "", "yesterday"])
def test_no_date_is_open_and_holds_nothing_up(date):
    finding = judge(date, unknown={"firmware_date": "not there"})
    assert (finding.outcome, finding.required, finding.values["reason"]) == (
        "inconclusive",
        False,
        "not there",
    )
    assert judge(date).values["reason"] == "the firmware states no date"
