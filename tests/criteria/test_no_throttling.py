from __future__ import annotations

import pytest

from burnin.criteria.no_throttling import PLUGIN
from burnin.records.channels import Absence
from burnin.records.events import KernelLine


def _with_counter(tell, counts):
    told = tell()
    told.builder.sweeps_at([(70.0, 4500.0, count) for count in counts])
    return told.builder.close().view()


def test_a_counter_that_stands_passes(tell):
    (finding,) = PLUGIN.judge(_with_counter(tell, [3.0] * 10), {})
    assert (finding.outcome, finding.slug, finding.values["counters"]) == ("pass", "none", 1)


@pytest.mark.parametrize(
    ("counts", "rise"), [([3.0, 3.0, 4.0, 9.0], 6.0), ([3.0, None, 5.0], 2.0), ([9.0, 0.0, 1.0], 1.0)]
)
def test_a_counter_that_moves_fails(tell, counts, rise):
    (finding,) = PLUGIN.judge(_with_counter(tell, counts), {})
    assert (finding.outcome, finding.slug, finding.observed) == ("fail", "throttled", rise)
    assert finding.subject == "Throttle count 0"


def test_a_thermal_line_of_the_kernel_fails(tell):
    run = tell().builder.add(KernelLine(what="thermal", text="CPU0: temperature above threshold"))
    run.add(KernelLine(what="usb", text="new device"))
    (finding,) = PLUGIN.judge(run.view(), {})
    assert (finding.outcome, finding.slug) == ("fail", "kernel_said")
    assert finding.values == {"line": "CPU0: temperature above threshold", "count": 1}


def test_no_counter_is_open_with_the_reason(tell):
    run = tell(channels=()).builder
    (finding,) = PLUGIN.judge(run.view(), {})
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "no_counter", True)
    told = tell(channels=())
    run = told.builder.machine((), absent=[Absence(what="throttle counters", reason="the kernel shows none")])
    view = run.view()
    assert view.absent == ()  # the first description counts
    assert finding.values["reason"] == "the machine shows no throttle counter"


@pytest.mark.parametrize("counts", [[], [3.0], [None, None, None]])
def test_a_counter_that_was_hardly_read_is_open(tell, counts):
    (finding,) = PLUGIN.judge(_with_counter(tell, counts), {})
    assert (finding.outcome, finding.slug) == ("inconclusive", "not_read")
