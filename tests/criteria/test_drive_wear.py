from __future__ import annotations

import pytest

from burnin.criteria.drive_wear import PLUGIN
from burnin.records.inventory import Drive, Inventory, StoragePart
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder


def judge(*drives: Drive, **fields: object):
    inventory = Inventory(storage=StoragePart(drives=drives, **fields))
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=inventory)
    return PLUGIN.judge(builder.view(), {"most_pct": 5.0})


@pytest.mark.parametrize(
    ("healthy", "wear", "expected"),
    [
        (True, 5.0, ("pass", "fresh")),
        (True, 6.0, ("pass", "worn")),
        (None, 99.0, ("pass", "worn")),
        (True, 100.0, ("fail", "worn_out")),
        (False, 0.0, ("fail", "unhealthy")),
        (False, None, ("fail", "unhealthy")),
        (True, None, ("pass", "healthy")),
        (None, None, ("inconclusive", "not_known")),
    ],
)
def test_every_state_of_a_drive(healthy, wear, expected):
    (finding,) = judge(Drive(name="nvme0n1", healthy=healthy, wear_pct=wear))
    assert (finding.outcome, finding.slug) == expected
    assert finding.required is (finding.slug != "not_known")


def test_every_drive_is_judged_and_none_is_open():
    assert [finding.subject for finding in judge(Drive(name="a", healthy=True), Drive(name="b"))] == [
        "a",
        "b",
    ]
    (finding,) = judge(unknown={"drives": "the kernel lists no drive"})
    assert (finding.slug, finding.values["reason"]) == ("no_drive", "the kernel lists no drive")
