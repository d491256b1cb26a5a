from __future__ import annotations

import pytest

from burnin.criteria.no_wrong_result import PLUGIN
from burnin.records.events import FaultFound, FaultRetried


def _fault(kind="memory_word", load_id="1.matrix.0", core=0, **values):
    return FaultFound(
        load_id=load_id, load="matrix", stage=1, core=core, fault=kind, step=7, seed="2a", values=values
    )


def test_a_clean_run_passes_with_the_work_done(tell):
    (finding,) = PLUGIN.judge(tell().all().builder.close().view(), {})
    assert (finding.outcome, finding.slug) == ("pass", "none_wrong")
    assert finding.values == {"loads": 3, "kinds": 2, "steps": 36000}
    assert finding.safety


def test_wrong_results_fail_once_per_instance_with_the_figures_of_the_first(tell):
    run = tell().all().builder
    run.add(
        _fault(address="0x1000", expected="0xff", found="0xfe"),
        _fault(),
        _fault(load_id="2.matrix.0", core=None),
    )
    first, second = PLUGIN.judge(run.close().view(), {})
    assert (first.outcome, first.slug, first.observed) == ("fail", "wrong_word", 2.0)
    assert first.subject == "matrix on core 0"
    assert first.values["address"] == "0x1000"
    assert first.values["found"] == "0xfe"
    assert first.values["in_stage"] == "hot"
    assert len(first.evidence) == 2
    assert (second.subject, second.values["core"], second.slug) == ("matrix", "unknown", "wrong_result")


@pytest.mark.parametrize(
    ("fault", "slug"),
    [
        (_fault("wrong_result", expected=1, found=2), "wrong_value"),
        (_fault("rate_implausible", rate=900.0), "rate_implausible"),
        (_fault("disagreement", expected="1", found="2"), "disagreement_named"),
        (_fault("disagreement", core=None, who="core 0 or core 1"), "disagreement"),
        (_fault("anything"), "wrong_result"),
    ],
)
def test_the_kind_of_fault_chooses_the_sentence(tell, fault, slug):
    (finding,) = PLUGIN.judge(tell().builder.add(fault).view(), {})
    assert (finding.slug, finding.outcome) == (slug, "fail")
    assert finding.values["in_stage"] == "unknown"


def test_no_load_and_no_step_leave_it_open(tell):
    (none,) = PLUGIN.judge(tell().builder.view(), {})
    assert (none.outcome, none.slug, none.required) == ("inconclusive", "no_load", True)
    (idle,) = PLUGIN.judge(tell().builder.load("1.matrix.0", "matrix", stage=1).view(), {})
    assert (idle.outcome, idle.slug) == ("inconclusive", "nothing_checked")


def test_steps_of_a_load_that_died_count_from_the_last_sweep(tell):
    (finding,) = PLUGIN.judge(tell().stage(1, end=False).builder.view(), {})
    assert finding.values["steps"] == 12000


def test_evidence_stops_at_fifty(tell):
    (finding,) = PLUGIN.judge(tell().builder.add(*[_fault()] * 80).view(), {})
    assert (finding.observed, len(finding.evidence)) == (80.0, 50)


def test_faults_a_load_only_counted_are_counted(tell):
    run = tell().builder.add(_fault(further=9), _fault(further="many"))
    (finding,) = PLUGIN.judge(run.view(), {})
    assert finding.observed == 11.0


def _retried(**fields):
    about = {"load_id": "1.matrix.0", "load": "matrix", "stage": 1, "step": 7, "seed": "2a", "cores": (0, 1)}
    return FaultRetried(**about | fields)


def test_work_done_again_names_the_core_and_the_command(tell):
    run = (
        tell()
        .all()
        .builder.add(
            _fault("disagreement", core=None, who="core 0 or core 1"),
            _retried(core=1, how="contradicts_itself", came_back=True),
        )
    )
    (finding,) = PLUGIN.judge(run.close().view(), {})
    assert (finding.slug, finding.subject) == ("disagreement_named", "matrix on core 1")
    assert (finding.values["core"], finding.values["came_back"]) == (1, True)
    assert finding.values["how"] == "contradicts_itself"
    command = finding.values["again"]
    assert command.startswith("burnin reproduce --load matrix --core 1 --beside 0 --seed 0x2a --step 7")


def test_work_done_again_that_settles_nothing_keeps_core_a_or_b(tell):
    run = tell().builder.add(
        _fault("disagreement", core=None, who="core 0 or core 1"), _retried(how="undecided")
    )
    (finding,) = PLUGIN.judge(run.view(), {})
    assert (finding.slug, finding.values["core"], finding.values["physical"]) == (
        "disagreement",
        "unknown",
        "unknown",
    )
    assert "--core 0 --beside 1" in finding.values["again"]
