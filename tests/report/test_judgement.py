from __future__ import annotations

import msgspec
from invented import CHECKLIST, PLAN
from samples import FIRST_LOOK

from burnin.records.channels import Absence
from burnin.records.events import FaultFound, OperatorAnswered, Preflight
from burnin.records.findings import Finding, Verdict, WaiverUsed
from burnin.records.paperwork import Answer
from burnin.report.judgement import (
    check_rows,
    checklist_findings,
    fault_rows,
    finding_rows,
    open_points,
    scalar,
)
from burnin.report.page import certificate_page
from burnin.testing.run_builder import RunBuilder

ACCEPTED = Verdict(standing="accepted", first_look=False, reasons=(), exit_code=0)


def finding(outcome, subject="", **more):
    return Finding(**{"criterion": "c", "slug": "s", "outcome": outcome, "subject": subject, **more})


def test_fails_come_first_and_none_is_left_to_the_screen():
    findings = [finding("pass", str(n)) for n in range(9)] + [finding("fail", str(n)) for n in range(9)]
    rows = finding_rows(findings, ACCEPTED)
    assert [row.outcome for row in rows] == ["fail"] * 9 + ["pass"] * 9
    assert [row.paper for row in rows] == [True] * 13 + [False] * 5
    five = finding_rows([finding("pass", str(n)) for n in range(5)], ACCEPTED)
    assert all(row.paper for row in five)


def test_a_waiver_marks_what_it_covers_and_nothing_else():
    waiver = WaiverUsed(criterion="c", subject="", outcome="fail", reason="r", by="b")
    one = WaiverUsed(criterion="d", subject="x", outcome="fail", reason="r", by="b")
    verdict = msgspec.structs.replace(ACCEPTED, waivers=(waiver, one))
    rows = finding_rows(
        [
            finding("fail", "any"),
            finding("pass"),
            finding("fail", "x", criterion="d"),
            finding("fail", "y", criterion="d"),
        ],
        verdict,
    )
    assert {(row.criterion, row.about, row.waived) for row in rows} == {
        ("c", "any", True),
        ("c", "", False),
        ("d", "x", True),
        ("d", "y", False),
    }


def test_decimals_keep_the_figure_apart_from_its_limit_only():
    row = finding_rows([finding("pass", observed=99.999, limit=50.0, margin=49.999, unit="%")], ACCEPTED)[0]
    assert (row.observed.text, row.limit.text, row.margin.text) == ("100.0", "50.0", "50.0")
    close = finding_rows(
        [finding("fail", observed=85.004, limit=85.0, margin=-0.004, unit="degC")], ACCEPTED
    )[0]
    assert (close.observed.text, close.limit.text, close.margin.text) == ("85.004", "85.000", "\u22120.004")


def test_a_missed_target_bears_no_sign_of_a_fail():
    rows = finding_rows(
        [finding("fail", advisory=True), finding("fail"), finding("pass", advisory=True)], ACCEPTED
    )
    assert [(row.outcome, row.word) for row in rows] == [
        ("fail", "fail"),
        ("inconclusive", "target missed"),
        ("pass", "pass"),
    ]


def test_a_checklist_line_no_rule_judged_is_not_judged():
    view = (
        RunBuilder(PLAN, checklist=CHECKLIST)
        .add(OperatorAnswered(answer=Answer(line="cable", answer="no")))
        .view()
    )
    found = (finding("pass", "usb3", criterion="checklist_lines", observed=3.0, limit=3.0),)
    rows = check_rows(view, found)
    assert [(row.line, row.word) for row in rows] == [
        ("usb3", "pass"),
        ("hdmi", "not judged"),
        ("ram", "not judged"),
        ("cable", "not judged"),
    ]
    assert rows[1].answer == "Not measured, because no rule judged this line."
    assert rows[3].operator == "the operator answered no"
    assert rows[2].limit.exact == "16.0"
    assert checklist_findings(view, found) == (0,)
    assert check_rows(RunBuilder(PLAN).view(), found) == ()


def test_everything_not_assessed_is_listed_once_with_its_reason():
    absence = Absence(what="fans", reason="no chip")
    run = RunBuilder(PLAN).machine((), absent=(absence,))
    run.add(
        Preflight(
            cannot_judge=(absence, Absence(what="limits", reason="no sensor")),
            broken_plugins={"loads/x": "no PLUGIN"},
        )
    )
    points = open_points(
        run.view(), (finding("inconclusive", "T1"), finding("pass"), finding("not_applicable"))
    )
    assert [(point.what, point.reason, point.judged) for point in points] == [
        ("fans", "no chip", False),
        ("limits", "no sensor", False),
        ("plugin loads/x", "broken: no PLUGIN", False),
        ("c (T1)", "c: s (T1).", True),
    ]


def test_the_first_200_faults_are_in_full_and_the_number_is_of_all():
    run = RunBuilder(FIRST_LOOK)
    for number in range(230):
        run.add(
            FaultFound(
                load_id="l",
                load="memory_patterns",
                stage=1,
                fault="memory_word",
                step=number,
                values={"b": 1.5, "a": True},
            )
        )
    rows = fault_rows(run.view())
    assert len(rows) == 200
    assert rows[199].step == 199
    assert rows[0].values == (("a", "yes"), ("b", "1.5"))
    assert (rows[0].stage, rows[0].core) == ("1", "any")
    assert certificate_page(run.view(), (), ACCEPTED).judged.fault_count == 230
    assert [scalar(value) for value in (False, 3, "\x1b")] == ["no", "3", "\ufffd"]


def test_a_run_that_ended_at_once_still_has_a_page():
    page = certificate_page(RunBuilder(PLAN).view(), (), ACCEPTED)
    assert page.measured.sweeps == 0
    assert page.head.key_figures[2].value == "not measured"
    assert page.judged.findings == ()
