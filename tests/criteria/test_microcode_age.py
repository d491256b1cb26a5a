from __future__ import annotations

import pytest

from burnin.criteria.microcode_age import PLUGIN
from burnin.records.inventory import CpuPart, Inventory, SystemPart
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder


@pytest.mark.parametrize(
    ("cpu", "guest", "way", "expected"),
    [
        ({"microcode": "0x1", "old_microcode": False}, "", "advise", ("pass", "current", True)),
        ({"microcode": "0x1", "old_microcode": True}, "", "advise", ("pass", "old", True)),
        ({"microcode": "0x1", "old_microcode": True}, "", "fail", ("fail", "old", True)),
        ({"microcode": "0x1, 0x2"}, "", "advise", ("fail", "differs", True)),
        (
            {"microcode": "0x1", "old_microcode": False},
            "virtual machine",
            "advise",
            ("inconclusive", "guest", False),
        ),
        ({"microcode": "0x1"}, "", "advise", ("inconclusive", "not_known", False)),
        ({}, "", "advise", ("inconclusive", "not_known", False)),
    ],
)
def test_every_state(cpu, guest, way, expected):
    inventory = Inventory(cpu=CpuPart(**cpu), system=SystemPart(hypervisor=guest))
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=inventory)
    (finding,) = PLUGIN.judge(builder.view(), {"on_mistake": way})
    assert (finding.outcome, finding.slug, finding.required) == expected
