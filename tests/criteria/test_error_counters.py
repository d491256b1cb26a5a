from __future__ import annotations

import pytest

from burnin.criteria.error_counters import PLUGIN
from burnin.records.channels import Channel
from burnin.records.events import KernelLine

EDAC = Channel(
    id="edac/mc0/ce", source="edac", quantity="count", label="Corrected memory errors", role="fault_count"
)


def _run(tell, counts):
    return tell(channels=(EDAC,)).builder.sweeps_at([(count,) for count in counts])


def test_counters_that_stand_pass(tell):
    (finding,) = PLUGIN.judge(_run(tell, [2.0] * 9).view(), {})
    assert (finding.outcome, finding.slug, finding.required) == ("pass", "none", True)


@pytest.mark.parametrize(
    ("counts", "rise"), [([2.0, 2.0, 3.0], 1.0), ([2.0, None, 9.0], 7.0), ([9.0, 0.0, 2.0], 2.0)]
)
def test_a_counter_that_rises_fails(tell, counts, rise):
    (finding,) = PLUGIN.judge(_run(tell, counts).view(), {})
    assert (finding.outcome, finding.slug, finding.observed) == ("fail", "counted", rise)
    assert finding.subject == "Corrected memory errors"


@pytest.mark.parametrize("what", ["machine_check", "memory", "pcie"])
def test_a_line_of_the_kernel_about_an_error_fails(tell, what):
    run = _run(tell, [2.0] * 3).add(
        KernelLine(what=what, text="bank 5"), KernelLine(what=what, text="bank 6")
    )
    (finding,) = PLUGIN.judge(run.view(), {})
    assert (finding.outcome, finding.slug, finding.values["count"]) == ("fail", f"logged_{what}", 2)
    assert len(finding.evidence) == 2


def test_other_lines_say_nothing(tell):
    run = _run(tell, [2.0] * 3).add(KernelLine(what="usb", text="x"), KernelLine(what="thermal", text="x"))
    assert PLUGIN.judge(run.view(), {})[0].outcome == "pass"


def test_no_counter_is_stated_and_an_unread_one_is_open(tell):
    (none,) = PLUGIN.judge(tell(channels=()).builder.view(), {})
    assert (none.slug, none.outcome, none.required) == ("no_counter", "inconclusive", False)
    (unread,) = PLUGIN.judge(_run(tell, [None, None]).view(), {})
    assert (unread.slug, unread.outcome, unread.required) == ("not_read", "inconclusive", True)
