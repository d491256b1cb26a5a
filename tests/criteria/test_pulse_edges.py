from __future__ import annotations

import pytest

from burnin.criteria.pulse_edges import PLUGIN
from burnin.records.events import PulsesMeasured
from burnin.records.plan import LoadUse, Shape, Stage

PULSED = Stage(name="steps", duration_s=60.0, shape=Shape(kind="pulsed"), loads=(LoadUse(load="matrix"),))


def measured(apart_ms: float) -> PulsesMeasured:
    return PulsesMeasured(
        stage=0, pulses=30, loads=2, late_p99_ms=1.0, apart_p99_ms=apart_ms, apart_most_ms=9.0
    )


@pytest.mark.parametrize(
    ("apart_ms", "slug", "outcome"), [(5.0, "together", "pass"), (5.1, "apart", "inconclusive")]
)
def test_how_far_apart_is_held_to_the_limit(tell, apart_ms, slug, outcome):
    told = tell(PULSED).stage(0)
    told.builder.add(measured(apart_ms))
    (finding,) = PLUGIN.judge(told.builder.view(), {})
    assert (finding.slug, finding.outcome, finding.observed, finding.required) == (
        slug,
        outcome,
        apart_ms,
        False,
    )
    assert finding.values["pulses"] == 30


def test_without_figures_it_is_open_and_without_pulses_not_applicable(tell):
    (finding,) = PLUGIN.judge(tell(PULSED).stage(0).builder.view(), {})
    assert (finding.slug, finding.outcome) == ("not_measured", "inconclusive")
    (finding,) = PLUGIN.judge(tell().stage(0).builder.view(), {})
    assert (finding.slug, finding.outcome) == ("no_pulses", "not_applicable")
