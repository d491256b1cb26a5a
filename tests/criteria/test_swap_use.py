from __future__ import annotations

import pytest

from burnin.criteria.swap_use import PLUGIN
from burnin.records.inventory import Inventory, MemoryPart
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder


@pytest.mark.parametrize(
    ("used_mib", "way", "expected"),
    [
        (0, "advise", ("pass", "quiet")),
        (64, "advise", ("pass", "quiet")),
        (65, "advise", ("pass", "in_use")),
        (65, "fail", ("fail", "in_use")),
        (None, "fail", ("inconclusive", "not_known")),
    ],
)
def test_both_sides_of_the_limit(used_mib, way, expected):
    used = None if used_mib is None else used_mib << 20
    inventory = Inventory(memory=MemoryPart(swap_used_bytes=used))
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=inventory)
    (finding,) = PLUGIN.judge(builder.view(), {"most_mib": 64.0, "on_mistake": way})
    assert (finding.outcome, finding.slug) == expected
    assert finding.required is (used_mib is not None)
