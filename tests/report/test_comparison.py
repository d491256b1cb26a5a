from __future__ import annotations

import re

import numpy as np
import page_reader
import pytest
from msgspec.structs import replace

from burnin.records.channels import Channel
from burnin.records.findings import Finding, Verdict
from burnin.records.inventory import CpuPart, Inventory
from burnin.records.plan import Plan, Stage
from burnin.records.view import RunView
from burnin.report.comparison import Compared, comparison_lines, comparison_page, render_comparison, summary
from burnin.report.comparison_words import reason_words
from burnin.report.overlay import common_stages, overlay_charts, slots
from burnin.review.run_comparison import compare_runs, outcome_changes, overall
from burnin.testing.run_builder import RunBuilder

CPU = Channel(id="t", source="s", quantity="temperature", label="Processor", role="cpu_hottest")
FAN = Channel(id="r", source="s", quantity="fan_speed", label="Fan", role="fan")
PLAN = Plan(
    format=1,
    name="p",
    title="P",
    stages=(
        Stage(name="idle", kind="idle", duration_s=50.0),
        Stage(name="hot", kind="soak", duration_s=200.0),
    ),
)
OPEN = Verdict(standing="inconclusive", first_look=False, reasons=(), exit_code=3)


def _run(seed, temp_c=70.0, *, hot_s=200, idle_s=50, **opened) -> RunView:
    rng = np.random.default_rng(seed)
    microcode = opened.pop("microcode", "0x1")
    run = RunBuilder(PLAN, run_id=f"run-{seed}", **opened)
    run.machine((CPU, FAN), inventory=Inventory(cpu=CpuPart(microcode=microcode)))
    run.stage(0, "idle").sweeps_at([(30.0, 600.0)] * idle_s).end_stage(0, "idle")
    own = temp_c + rng.normal(0, 0.2)
    rows = [(round(own + rng.normal(0, 0.3), 2), round(1200 + rng.normal(0, 9))) for _ in range(hot_s)]
    return run.stage(1, "hot").sweeps_at(rows).end_stage(1, "hot").close().view()


def _compared(before, after, baselines=(), findings=((), ())) -> Compared:
    comparison = compare_runs(before, after, baselines=baselines)
    outcomes = outcome_changes(*findings)
    return Compared(
        views=(before, after),
        verdicts=(OPEN, OPEN),
        comparison=comparison,
        outcomes=outcomes,
        overall=overall(comparison, outcomes),
    )


BASE = [_run(seed) for seed in range(1, 5)]


@pytest.fixture(scope="module")
def cooler():
    after = _run(9, 66.0, retest_of="run-1", note="new paste <b>", microcode="0x2")
    findings = (
        [Finding(criterion="steady_state", slug="s", outcome="fail")],
        [Finding(criterion="steady_state", slug="s", outcome="pass")],
    )
    return _compared(BASE[0], after, BASE[1:], findings)


class TestPage:
    def test_every_figure_reads_back_as_compared(self, cooler):
        root = page_reader.read_page(render_comparison(cooler))
        rows = page_reader.table(root, "compared")
        assert len(rows) == len(cooler.comparison.figures) == 2
        for row, one in zip(rows, cooler.comparison.figures, strict=True):
            assert row["Before"].exact == one.before
            assert row["After"].exact == one.after
            assert row["Difference"].exact == one.difference
            assert page_reader.rounds_to(row["Before"].text, one.before)
            assert page_reader.rounds_to(row["Difference"].text.replace("+", ""), one.difference)
            low, high = row["95 % interval"].text.split(" to ")
            assert page_reader.rounds_to(low.replace("+", ""), one.low)
            assert page_reader.rounds_to(high.replace("+", ""), one.high)
        assert [row["Answer"].text.strip() for row in rows] == ["better", "no difference shown"]

    def test_head_says_what_it_comes_to_and_what_was_changed(self, cooler):
        root = page_reader.read_page(render_comparison(cooler))
        (verdict,) = root.find("section", class_="verdict")
        assert "The runs differ" in verdict.text
        assert "Re-tested after: new paste <b>." in verdict.text
        assert "1 change in the machine, 1 judgement came out differently." in verdict.text
        assert root.find("b", class_="x") == []

    def test_changes_and_judgements_are_listed(self, cooler):
        root = page_reader.read_page(render_comparison(cooler))
        (change,) = page_reader.table(root, "changes")
        assert [cell.text for cell in change.values()] == ["cpu, microcode", "0x1", "0x2", "changed"]
        (outcome,) = page_reader.table(root, "outcomes")
        assert [cell.text for cell in outcome.values()] == ["steady state", "", "fail", "pass"]

    def test_both_runs_are_named_with_the_hash_of_their_journals(self, cooler):
        text = page_reader.read_page(render_comparison(cooler)).text
        for view in cooler.views:
            assert view.opened.run_id in text
            assert view.integrity.head_sha256 in text

    def test_same_runs_same_bytes_and_nothing_from_outside(self, cooler):
        page = render_comparison(cooler)
        assert page == render_comparison(cooler)
        assert not re.search(rb"(?:src|href)\s*=\s*[\"'](?!data:)", page)

    def test_runs_with_nothing_in_common_are_shown_too(self):
        bare = RunBuilder(Plan(format=1, name="q", title="Q")).view()
        root = page_reader.read_page(render_comparison(_compared(bare, BASE[0])))
        assert "no stage was hot" in root.text
        assert "Nothing that was read in both runs" in root.text or page_reader.table(root, "changes")
        other = page_reader.read_page(render_comparison(_compared(BASE[0], bare)))
        assert {
            row["Answer"].text.split("because")[1].strip() for row in page_reader.table(other, "compared")
        } == {"the stage was not the same in both runs"}

    def test_a_rehearsal_is_marked_on_every_page(self):
        after = _run(9, rehearsal=True)
        page = render_comparison(_compared(BASE[0], after))
        assert page.count(b"Rehearsal on a simulated bench") == 2

    def test_a_real_certificates_run_compares_with_itself(self, accepted):
        view = accepted[0]
        compared = _compared(view, view)
        root = page_reader.read_page(render_comparison(compared))
        assert len(page_reader.table(root, "compared")) == len(compared.comparison.figures) > 5
        assert len(root.find("figure", class_="chart")) == 4


class TestLines:
    def test_a_terminal_gets_the_same(self, cooler):
        lines = comparison_lines(cooler)
        assert lines[0] == "The runs differ"
        row = next(line for line in lines if line.startswith("hot") and "Processor" in line)
        assert row.endswith("better")
        assert "Machine, cpu, microcode: 0x1 -> 0x2 (changed)" in lines
        assert "Judgement, steady state: fail -> pass" in lines
        assert any(
            "Repeatability of 2 figures from runs of this machine, 3 degrees" in line for line in lines
        )
        assert any("the room was not measured" in line for line in lines)

    def test_what_is_not_comparable_says_why(self):
        compared = _compared(BASE[0], _run(9))
        assert comparison_lines(compared)[0].startswith("Not comparable in full")
        assert compared.overall == "not_comparable"
        assert any("that takes three runs of one" in line for line in comparison_lines(compared))
        assert "2 figures not comparable; the table says why." in summary(compared)

    def test_unchanged_machines_show_no_difference(self):
        compared = _compared(BASE[0], _run(6, retest_of="run-1"), BASE[1:])
        assert compared.overall == "same"
        assert comparison_page(compared).heading == "No difference shown"
        assert summary(compared)[0] == "Re-tested without a stated change."

    def test_judgements_are_told_with_what_they_are_about(self):
        before = [
            Finding(criterion="temperature_limits", slug="s", outcome="pass", subject="Coolant", stage="hot")
        ]
        lines = comparison_lines(_compared(BASE[0], BASE[1], findings=(before, [])))
        assert "Judgement, temperature limits (Coolant, stage hot): pass -> not asked" in lines

    def test_other_plans_and_rooms_are_mentioned(self):
        from burnin.records.events import InstrumentReading

        room = InstrumentReading(name="room", value=21.0, unit="degC", uncertainty=0.5)
        longer = replace(PLAN, stages=(*PLAN.stages, Stage(name="more", kind="soak", duration_s=9.0)))
        views = []
        for plan in (PLAN, longer):
            run = RunBuilder(plan).machine((CPU,)).add(room)
            views.append(run.stage(1, "hot").sweeps_at([(60.0,)] * 200).end_stage(1, "hot").view())
        lines = comparison_lines(_compared(*views))
        assert any("Temperatures are compared above the room" in line for line in lines)
        assert any("not the same in both plans: more" in line for line in lines)
        assert any("Processor above the room (K)" in line for line in lines)

    def test_records_are_named_as_the_source(self):
        from burnin.calc.compare import Repeatability

        records = {("hot", "t", "degC"): Repeatability(sd=0.2, df=5.0)}
        comparison = compare_runs(BASE[0], _run(9), records=records)
        compared = replace_comparison(_compared(BASE[0], _run(9)), comparison)
        assert any(
            "Repeatability of 1 figure from repeated runs of its family" in line
            for line in comparison_lines(compared)
        )


def replace_comparison(compared, comparison):
    from dataclasses import replace as change

    return change(compared, comparison=comparison)


class TestOverlay:
    def test_stages_are_laid_over_each_other_from_their_beginnings(self):
        late = _run(8, hot_s=120, idle_s=80)
        pairs = common_stages(BASE[0], late)
        assert [first.name for first, _ in pairs] == ["idle", "hot"]
        places = slots(pairs)
        assert [round(place.span_s) for place in places] == [80, 200]
        assert places[1].start_ns == places[0].end_ns
        temperatures = overlay_charts(BASE[0], late)[0]
        keys = [line.key for line in temperatures.lines]
        assert keys == ["before/t", "after/t"]
        points = {key: _points(line.path) for key, line in zip(keys, temperatures.lines, strict=True)}
        hot_before = [t for t, value in points["before/t"] if value > 50]
        hot_after = [t for t, value in points["after/t"] if value > 50]
        assert min(hot_before) == pytest.approx(min(hot_after), abs=1.5) == pytest.approx(81, abs=1.5)
        assert max(hot_after) == pytest.approx(80 + 120, abs=1.5)
        assert not [t for t, _ in points["before/t"] if 52 < t < 79]

    def test_every_value_drawn_was_read(self):
        chart = overlay_charts(BASE[0], BASE[1])[0]
        read = {round(float(value), 3) for value in BASE[0].good("t")}
        assert {round(value, 3) for _, value in _points(chart.lines[0].path)} <= read

    def test_what_one_run_did_not_measure_is_said(self):
        bare = RunBuilder(PLAN).machine(()).view()
        reasons = [chart.reason for chart in overlay_charts(BASE[0], bare)]
        assert reasons[0].startswith("in the second run: ")
        assert overlay_charts(bare, BASE[0])[0].reason.startswith("in the first run: ")

    def test_channels_that_only_one_run_has_are_left_out(self):
        other = Channel(id="x", source="s", quantity="temperature", label="Other", role="cpu_hottest")
        run = (
            RunBuilder(PLAN).machine((other,)).stage(0, "idle").sweeps_at([(30.0,)] * 50).end_stage(0, "idle")
        )
        assert overlay_charts(BASE[0], run.view())[0].reason.startswith("no channel gave a usable value")

    def test_a_stage_without_a_sweep_leaves_a_gap(self):
        run = RunBuilder(PLAN).machine((CPU, FAN)).stage(0, "idle").wait(20).end_stage(0, "idle")
        run.stage(1, "hot").sweeps_at([(60.0, 900.0)] * 60).end_stage(1, "hot")
        chart = overlay_charts(BASE[0], run.view())[0]
        assert min(t for t, _ in _points(chart.lines[1].path)) >= 50


def _points(path):
    return [(float(t), float(value)) for t, value in re.findall(r"[ML](\S+) (-?[\d.]+)", path)]


def test_a_reason_without_words_of_its_own_is_readable():
    assert reason_words("some-new-slug") == "some new slug"
    assert reason_words("too-few-builds", 5.0, 8.0) == "too few builds (5, it takes 8)"
