from __future__ import annotations

import pytest

from burnin.criteria.leak_hold import PLUGIN
from burnin.records.events import LeakHold
from burnin.records.paperwork import Order, PartOrdered

HOLD = LeakHold(
    start="2026-03-01T18:00", end="2026-03-02T06:00", hold_min=720.0, dry_at="all 8 fittings", who="A. Nobody"
)


def order(*parts: PartOrdered) -> dict:
    return {"opened": {"order": Order(format=1, order="1", parts=parts)}}


def judge(told, *events, **params):
    told.builder.add(*events)
    (finding,) = PLUGIN.judge(told.builder.view(), params)
    return finding


@pytest.mark.parametrize(
    ("part", "liquid"),
    [
        (PartOrdered(part="cooler", text="Liquid cooler, 240 mm"), True),
        (PartOrdered(part="cooler", text="Custom loop, two radiators"), True),
        (PartOrdered(part="radiator", text="360 mm"), True),
        (PartOrdered(part="cooler", text="Tower cooler, two fans"), False),
        (PartOrdered(part="case", text="Case with water motif"), False),
    ],
)
def test_the_order_says_whether_a_machine_is_liquid_cooled(tell, part, liquid):
    finding = judge(tell(**order(part)))
    assert finding.slug == ("not_answered" if liquid else "not_liquid")
    assert finding.outcome == ("inconclusive" if liquid else "not_applicable")
    assert finding.required is liquid


def test_the_plan_can_say_it_too(tell):
    assert judge(tell(liquid_cooled=True)).slug == "not_answered"


def test_a_hold_on_record_passes_and_is_told_even_without_an_order(tell):
    finding = judge(tell(), HOLD)
    assert (finding.outcome, finding.slug, finding.values["hours"]) == ("pass", "held", 12.0)


def test_a_hold_too_short_stays_open(tell):
    finding = judge(tell(liquid_cooled=True), HOLD, least_min=1000.0)
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "too_short", True)
