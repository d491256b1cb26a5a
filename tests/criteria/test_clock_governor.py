from __future__ import annotations

import pytest

from burnin.criteria.clock_governor import PLUGIN
from burnin.records.inventory import CpuPart, Inventory
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder


@pytest.mark.parametrize(
    ("governor", "driver", "way", "expected"),
    [
        ("schedutil", "acpi-cpufreq", "advise", ("pass", "free")),
        ("performance", "intel_pstate", "advise", ("pass", "free")),
        ("powersave", "intel_pstate", "advise", ("pass", "free")),
        ("powersave", "amd-pstate-epp", "advise", ("pass", "free")),
        ("powersave", "acpi-cpufreq", "advise", ("pass", "holds")),
        ("powersave", None, "fail", ("fail", "holds")),
        ("performance, userspace", "acpi-cpufreq", "fail", ("fail", "holds")),
        (None, None, "fail", ("inconclusive", "not_known")),
    ],
)
def test_governors_and_drivers(governor, driver, way, expected):
    inventory = Inventory(cpu=CpuPart(governor=governor, scaling_driver=driver))
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=inventory)
    (finding,) = PLUGIN.judge(builder.view(), {"on_mistake": way})
    assert (finding.outcome, finding.slug) == expected
