from __future__ import annotations

import msgspec
import pytest

from burnin.records.findings import Finding, Verdict, WaiverUsed
from burnin.report.sentences import SENTENCES, sentence
from burnin.report.text import finding_sentence, outcome_counts, plain_summary, verdict_line, verdict_reasons

PASS = Finding(criterion="c", slug="s", outcome="pass")
WHOLE = Finding(criterion="run_complete", slug="complete", outcome="pass")
CUT = Finding(criterion="run_complete", slug="cut_off", outcome="inconclusive")
MISSED = Finding(criterion="c", slug="s", outcome="fail", advisory=True)
OPEN = Finding(criterion="c", slug="s", outcome="inconclusive")
FAIL = Finding(criterion="c", slug="s", outcome="fail")
WAIVER = WaiverUsed(criterion="coolant_limit", subject="", outcome="fail", reason="own radiator", by="R. B.")


def verdict(standing, **more):
    return Verdict(**{"standing": standing, "first_look": False, "reasons": (), "exit_code": 0, **more})


@pytest.mark.parametrize(
    ("given", "findings", "line"),
    [
        (verdict("accepted"), (PASS,), "Accepted"),
        (verdict("rejected"), (FAIL,), "Rejected"),
        (verdict("rejected", first_look=True), (FAIL,), "Rejected"),
        (verdict("inconclusive"), (OPEN,), "Inconclusive"),
        (verdict("inconclusive", first_look=True), (OPEN, WHOLE), "First look: no fault seen (inconclusive)"),
        (
            verdict("inconclusive", first_look=True),
            (OPEN, WHOLE, MISSED),
            "First look: no fault seen (inconclusive)",
        ),
        (verdict("inconclusive", first_look=True), (OPEN, CUT), "Inconclusive"),
        (verdict("inconclusive", first_look=True), (FAIL, WHOLE), "Inconclusive"),
        (
            verdict("accepted", waivers=(WAIVER,)),
            (),
            "Accepted with 1 waiver: coolant limit, own radiator, decided by R. B.",
        ),
        (
            verdict("accepted", waivers=(WAIVER, msgspec.structs.replace(WAIVER, subject="T1"))),
            (),
            "Accepted with 2 waivers: coolant limit, own radiator, decided by R. B.; coolant limit (T1), own radiator, decided by R. B.",
        ),
    ],
)
def test_the_verdict_in_one_line(given, findings, line):
    assert verdict_line(given, findings) == line


def test_reasons_name_stops_first_and_repeat_nothing():
    given = verdict("rejected", reasons=(0, 1, 9), stopped_for_safety=True, stopped_by_operator=True)
    assert verdict_reasons((FAIL, FAIL), given) == (
        "The run was stopped for safety.",
        "The operator stopped the run before its end.",
        "c: s.",
    )
    assert verdict_reasons((PASS, PASS, MISSED), verdict("accepted")) == ("2 of 2 judgements passed.",)
    still_open = "2 of 2 judgements passed; 1 further point could not be judged."
    assert verdict_reasons((PASS, PASS, OPEN), verdict("accepted")) == (still_open,)


def test_a_missed_target_is_counted_as_such_and_never_as_a_fail():
    assert outcome_counts((PASS, MISSED)) == "1 pass, 0 fail, 0 not judged, 0 not applicable, 1 target missed"
    assert outcome_counts((FAIL,)) == "0 pass, 1 fail, 0 not judged, 0 not applicable"


def test_fails_are_told_and_open_points_counted():
    given = verdict("rejected", reasons=(0, 1, 2))
    other = msgspec.structs.replace(FAIL, slug="t")
    assert verdict_reasons((FAIL, other, OPEN), given) == (
        "c: s.",
        "c: t.",
        "Besides, 1 required point could not be judged.",
    )
    look = verdict("inconclusive", first_look=True, reasons=(0,))
    assert (
        verdict_reasons((OPEN,), look)[0]
        == "A first look is too short to accept a machine; it can only find faults."
    )


def test_the_summary_for_a_terminal_counts_and_cuts(rejected, bare):
    view, findings, given = rejected
    lines = plain_summary(view, findings, given)
    assert lines[0] == "Rejected"
    assert lines[-1] == "2 wrong results found; 9 pass, 1 fail, 0 not judged, 1 not applicable."
    many = tuple(Finding(criterion="c", slug=f"s{number}", outcome="inconclusive") for number in range(20))
    cut = plain_summary(view, many, verdict("inconclusive", reasons=tuple(range(20))))
    assert cut[13] == "  and 8 more reasons; the certificate lists all."
    from dataclasses import replace

    rehearsed = replace(view, opened=msgspec.structs.replace(view.opened, rehearsal=True))
    assert plain_summary(rehearsed, findings, given)[0].startswith("Rehearsal on a simulated bench")


def test_templates_are_filled_from_values_and_figures():
    finding = Finding(
        criterion="c",
        slug="s",
        outcome="fail",
        values={"x": 1.23456, "flag": True, "n": 3, "who": "a\u202eb", "off": False},
        observed=80.04,
        unit="degC",
    )
    said = sentence(
        finding,
        {"c/s": "{who} {x} {x:.1f} {flag} {off} {n} {observed:.2f} {unit} {limit:.1f} {subject} {stage}"},
    )
    assert said == "A[U+202E]b 1.235 1.2 yes no 3 80.04 \u00b0C not measured the run the run"


def test_a_value_stands_in_where_the_finding_itself_has_none():
    finding = Finding(criterion="c", slug="s", outcome="fail", values={"limit": 5}, subject="fan")
    assert sentence(finding, {"c/s": "{subject}: {limit}"}) == "Fan: 5"


@pytest.mark.parametrize("template", ["{missing}", "{x.__class__}", "{x[0]}", "{", "{0}", "{x!q}"])
def test_a_template_that_does_not_fit_falls_back_to_plain_values(template):
    finding = Finding(
        criterion="my_rule", slug="too_hot", outcome="fail", subject="Pump", values={"x": 1, "a": "b"}
    )
    assert sentence(finding, {"my_rule/too_hot": template}) == "my rule: too hot (Pump); a b, x 1."


def test_a_format_that_does_not_fit_the_value_shows_the_value():
    finding = Finding(criterion="c", slug="s", outcome="fail", values={"n": "many", "x": 2})
    assert sentence(finding, {"c/s": "{n:.1f} {x:zz}"}) == "Many 2"


def test_a_rule_of_all_serves_a_rule_without_words_of_its_own():
    finding = Finding(criterion="unheard_of", slug="s", outcome="inconclusive")
    assert sentence(finding, {"*/s": "no {criterion} here"}) == "No unheard of here"
    assert finding_sentence(finding) == "unheard of: s."


@pytest.mark.parametrize("key", sorted(SENTENCES))
def test_every_shipped_template_can_be_read(key):
    from string import Formatter

    names = {name for _, name, _, _ in Formatter().parse(SENTENCES[key]) if name is not None}
    assert all(name.isidentifier() for name in names)
    criterion, _, slug = key.partition("/")
    values = {name: 1.5 for name in names if name != "criterion"}
    said = sentence(Finding(criterion=criterion, slug=slug, outcome="fail", values=values), SENTENCES)
    assert said != f"{criterion}: {slug}."
    assert "{" not in said
