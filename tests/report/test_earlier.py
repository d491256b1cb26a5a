"""Earlier runs of the same machine, and the customer's copy."""

from __future__ import annotations

from samples import FIRST_LOOK

from burnin.records.events import EarlierRun
from burnin.records.findings import Verdict
from burnin.report.identity import run_facts
from burnin.report.text import attempts_text, plain_summary
from burnin.testing.run_builder import RunBuilder

OPEN = Verdict(standing="inconclusive", first_look=True, reasons=(), exit_code=3)


def test_a_third_attempt_names_the_two_before_it():
    earlier = (
        EarlierRun(run_id="one", standing="rejected", date="2026-05-01"),
        EarlierRun(run_id="two", standing="cut_off"),
    )
    view = RunBuilder(FIRST_LOOK, earlier=earlier).wait(60).close().view()
    words = "3; earlier: rejected (2026-05-01, one), cut off (two)"
    assert attempts_text(view) == words
    assert {fact.name: fact.value for fact in run_facts(view)}["Attempt"] == words
    assert plain_summary(view, (), OPEN)[-1] == f"Attempt {words}."


def test_a_first_attempt_says_nothing_of_it():
    view = RunBuilder(FIRST_LOOK).wait(60).close().view()
    assert attempts_text(view) == ""
    assert "Attempt" not in {fact.name for fact in run_facts(view)}


def test_a_copy_with_parts_left_out_says_so():
    view = RunBuilder(FIRST_LOOK, redacted_from="a" * 64).close().view()
    assert {fact.name: fact.value for fact in run_facts(view)}["Copy"].startswith(
        "customer's copy: customer's name, hardware"
    )
