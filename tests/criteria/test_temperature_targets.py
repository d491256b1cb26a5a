from __future__ import annotations

import pytest

from burnin.criteria.temperature_targets import PLUGIN
from burnin.records.plan import Limits


def _judge(tell, hot, *, width=3, **limits):
    told = tell(limits=Limits(**limits))
    rows = [(temp, 4500.0, 3.0)[:width] for temp in hot]
    told.builder.stage(1, "hot").sweeps_at(rows, every_s=5.0).end_stage(1, "hot")
    return PLUGIN.judge(told.builder.close().view(), {})


@pytest.mark.parametrize(
    ("temp_c", "slug", "outcome"), [(71.0, "met", "pass"), (71.1, "missed", "fail"), (60.0, "met", "pass")]
)
def test_a_target_is_simple_acceptance(tell, temp_c, slug, outcome):
    (finding,) = _judge(tell, [50.0, temp_c, 50.0], cpu_target_c=71.0)
    assert (finding.slug, finding.outcome, finding.required, finding.safety) == (slug, outcome, False, False)
    assert finding.margin == pytest.approx(71.0 - temp_c, abs=1e-4)


def test_no_target_is_not_applicable(tell):
    (finding,) = _judge(tell, [50.0])
    assert (finding.outcome, finding.slug) == ("not_applicable", "no_target")


def test_a_target_without_a_sensor_or_a_reading_is_open_and_decides_nothing(tell):
    cpu, graphics = _judge(tell, [None], cpu_target_c=71.0, graphics_target_c=80.0)
    assert (cpu.slug, cpu.outcome, cpu.required) == ("no_reading", "inconclusive", False)
    assert (graphics.slug, graphics.subject) == ("no_sensor", "Graphics temperature")
