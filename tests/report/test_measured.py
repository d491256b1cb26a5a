"""Traces, charts, heat strip, work and sensor figures."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from invented import ORDER, PLAN
from samples import FIRST_LOOK

from burnin.records.channels import Absence, Channel
from burnin.records.events import LoadEnded, SafetyArmed, TripLimit
from burnin.records.findings import Finding, Verdict
from burnin.report.chart import chart, stage_bands
from burnin.report.heat import heat_strip
from burnin.report.page import certificate_page
from burnin.report.readings import channel_rows
from burnin.report.traces import reason_absent, role_limit, trace_groups
from burnin.report.work import core_rows, load_totals, ranges, rate_group, work_rows
from burnin.testing.run_builder import RunBuilder


def temp(key, role="none", **more):
    return Channel(id=key, source="s", quantity="temperature", label=key.upper(), role=role, **more)


def clocked(count):
    channels = [
        Channel(id=f"c{n}", source="s", quantity="frequency", label=f"Core {n}", role="cpu_clock")
        for n in range(count)
    ]
    return (
        RunBuilder(PLAN, order=ORDER)
        .machine(channels)
        .sweeps_at([[4000.0 + 10 * n + t for n in range(count)] for t in range(5)])
    )


def test_many_core_clocks_are_told_by_the_slowest_and_the_fastest():
    group = trace_groups(clocked(8).view())[1]
    assert [(trace.label, trace.shown) for trace in group.traces][:3] == [
        ("slowest core", True),
        ("fastest core", True),
        ("Core 0", False),
    ]
    assert group.traces[0].values.tolist() == [4000, 4001, 4002, 4003, 4004]
    assert group.traces[1].values.tolist() == [4070, 4071, 4072, 4073, 4074]
    assert sum(trace.shown for trace in group.traces) == 2
    assert group.marks[0].label == "ordered 5000 MHz"


def test_a_few_clocks_are_drawn_one_by_one():
    group = trace_groups(clocked(3).view())[1]
    assert [trace.label for trace in group.traces] == ["Core 0", "Core 1", "Core 2"]


def test_the_telling_channels_come_first_and_seven_are_drawn():
    channels = [temp(f"x{n}") for n in range(9)] + [temp("core", "cpu_core"), temp("cpu", "cpu_hottest")]
    view = RunBuilder(PLAN).machine(channels).sweeps_at([[40.0] * 11] * 3).view()
    traces = trace_groups(view)[0].traces
    assert traces[0].key == "cpu"
    assert [trace.shown for trace in traces] == [True] * 7 + [False] * 4
    assert traces[-1].key == "core"


def test_an_implausible_or_missing_value_is_never_drawn():
    view = (
        RunBuilder(PLAN)
        .machine((temp("a"), temp("b")))
        .sweeps_at([(-273.1, 30.0), (-273.1, None)], bad=(0,))
        .view()
    )
    group = trace_groups(view)[0]
    assert [trace.key for trace in group.traces] == ["b"]
    none = RunBuilder(PLAN).machine((temp("a"),)).sweeps_at([(-273.1,)], bad=(0,)).view()
    assert trace_groups(none)[0].reason == "no sensor gave a usable value"


def test_levels_of_limits_and_stops_that_coincide_are_told_once():
    limits = tuple(TripLimit(channel=key, trip=95.0, because="x") for key in ("a", "b", "elsewhere"))
    run = RunBuilder(PLAN).machine((temp("a", "cpu_hottest"), temp("b", "cpu_hottest")))
    run.add(SafetyArmed(period_s=0.2, quiet_s=5.0, limits=limits)).sweeps_at([(40.0, 41.0)] * 2)
    marks = trace_groups(run.view())[0].marks
    assert [(mark.value, mark.label) for mark in marks] == [
        (90.0, "limit 90 \u00b0C, A +1"),
        (95.0, "stop at 95 \u00b0C, A +1"),
    ]
    assert role_limit(PLAN.limits, "none") is None


def test_a_limit_that_was_judged_is_drawn_and_named_before_the_plans():
    finding = Finding(
        criterion="temperature_limits", slug="kept", outcome="pass", subject="A", limit=88.0, unit="degC"
    )
    run = (
        RunBuilder(PLAN)
        .machine((temp("a", "cpu_hottest"), temp("b", "cpu_hottest")))
        .sweeps_at([(40.0, 41.0)] * 2)
    )
    marks = trace_groups(run.view(), (finding,))[0].marks
    assert [mark.label for mark in marks] == ["limit 88 \u00b0C, A", "limit 90 \u00b0C, B"]
    verdict = Verdict(standing="accepted", first_look=False, reasons=(), exit_code=0)
    assert certificate_page(run.view(), (finding,), verdict).head.key_figures[2].note == "limit 90.0 \u00b0C"
    hotter = RunBuilder(PLAN).machine((temp("a", "cpu_hottest"),)).sweeps_at([(60.0,)]).view()
    assert certificate_page(hotter, (finding,), verdict).head.key_figures[2].note == "limit 88.0 \u00b0C"
    free = RunBuilder(FIRST_LOOK).machine((temp("a", "cpu_hottest"),)).sweeps_at([(60.0,)]).view()
    assert certificate_page(free, (), verdict).head.key_figures[2].note == "held against no limit"


def test_paper_shows_the_telling_sensors():
    channels = [temp(f"x{n}") for n in range(20)] + [temp("cpu", "cpu_hottest"), temp("core", "cpu_core")]
    channels.append(Channel(id="alarm", source="s", quantity="count", label="alarm"))
    channels += [
        Channel(id=f"f{n}", source="s", quantity="frequency", label="f", role="cpu_clock") for n in range(5)
    ]
    rows = channel_rows(RunBuilder(PLAN).machine(channels).sweeps_at([(1.0,) * 28]).view())
    assert [row.key for row in rows if row.paper] == [f"x{n}" for n in range(9)] + ["cpu"]


def test_why_a_quantity_was_not_measured():
    absent = (
        Absence(what="fans", reason="no chip", quantity="fan_speed"),
        Absence(what="fans", reason="no chip", quantity="fan_speed"),
    )
    view = RunBuilder(PLAN).machine((temp("a"),), absent=absent).view()
    assert reason_absent(view, "fan_speed") == "fans: no chip"
    assert reason_absent(view, "power") == "the run's channel list names no such sensor"
    assert reason_absent(RunBuilder(PLAN).view(), "power") == "the run ended before the sensors were listed"


def test_the_ordered_power_is_drawn_only_where_power_is_measured():
    watts = Channel(id="w", source="s", quantity="power", label="W", role="cpu_power")
    with_power = RunBuilder(PLAN, order=ORDER).machine((watts,)).sweeps_at([(20.0,)] * 2).view()
    assert [mark.label for mark in trace_groups(with_power)[2].marks] == ["ordered 230 W, CPU"]
    without = RunBuilder(PLAN).machine((watts,)).sweeps_at([(20.0,)] * 2).view()
    assert trace_groups(without)[2].marks == ()


def test_a_chart_holds_its_lines_and_says_them_in_words(accepted):
    view, _, _ = accepted
    drawn = chart(trace_groups(view)[0], view.stage_spans(), end_s=view.end_ns / 1e9)
    assert drawn.about.startswith("Temperatures over 85 min: CPU package from ")
    assert "limit 90 \u00b0C" in drawn.about
    heights = sorted(name.label_y for name in drawn.names)
    assert min(b - a for a, b in itertools.pairwise(heights)) >= 13.4
    assert float(drawn.low) <= min(float(np.nanmin(trace.values)) for trace in trace_groups(view)[0].traces)
    assert [band.label for band in drawn.bands] == [
        "1 Idle",
        "2 Processor",
        "3 Memory",
        "4 All together",
        "5 Cooling",
    ]


def test_a_flat_line_and_a_run_of_no_length_still_make_a_chart():
    view = RunBuilder(PLAN).machine((temp("a"),)).sweeps_at([(40.0,)], every_s=0.0).view()
    drawn = chart(trace_groups(view)[0], (), end_s=0.0)
    assert drawn.lines[0].path == "M0 40h0"
    assert float(drawn.low) < 40 < float(drawn.high)


def test_a_stage_too_narrow_for_its_name_keeps_its_number_or_nothing():
    run = RunBuilder(PLAN)
    for index, span_s in enumerate((100.0, 2.0, 0.1)):
        run.stage(index, f"Stage {index}").wait(span_s).end_stage(index, f"Stage {index}")
    bands = stage_bands(run.view().stage_spans(), lambda t_s: 4.0 * t_s)
    assert [band.label for band in bands] == ["1 Stage 0", "2", ""]


def test_the_heat_strip_shows_the_hottest_value_of_every_column():
    channels = (temp("k0", "cpu_core"), temp("k1", "cpu_core"), temp("k2", "cpu_core"))
    rows = [[30.0 + n % 7, None if n < 500 else 50.0, None] for n in range(1000)]
    rows[321][0] = 91.5
    view = RunBuilder(PLAN).machine(channels).sweeps_at(rows).view()
    strip = heat_strip(view, "no reason")
    assert [(row.label, row.hottest.text) for row in strip.rows] == [("K0", "91.5"), ("K1", "50.0")]
    assert strip.steps[-1].cells.count("M") == 1
    assert strip.steps[-1].cells.startswith(f"M{321 * 120 // 1000} 0h1")
    covered = sum(
        int(piece.split("h")[1].partition("v")[0])
        for step in strip.steps
        for piece in step.cells.split("z")
        if piece
    )
    assert covered == 120 + 60
    assert len(strip.steps) <= 6


def test_no_core_sensor_leaves_the_reason():
    assert (
        heat_strip(RunBuilder(PLAN).machine((temp("a"),)).sweeps_at([(1.0,)]).view(), "because").reason
        == "because"
    )


def test_sensor_figures_count_what_was_not_used():
    run = (
        RunBuilder(PLAN)
        .machine((temp("a", accuracy=1.5), temp("b")))
        .sweeps_at([(10.0, None), (20.0, None), (30.0, None)])
    )
    run.sweeps_at([(99.0, 5.0)], bad=(0,))
    first, second = channel_rows(run.view())
    assert (first.lowest.exact, first.mean.exact, first.highest.exact) == ("10.0", "20.0", "30.0")
    assert (first.good, first.unused, first.accuracy) == (3, "1 implausible", "\u00b1 1.5")
    assert (second.good, second.unused, second.accuracy) == (1, "3 missing", "\u2013")
    empty = channel_rows(RunBuilder(PLAN).machine((temp("a"),)).view())[0]
    assert (empty.lowest.text, empty.good) == ("\u2013", 0)


def worked():
    run = RunBuilder(FIRST_LOOK).machine(()).stage(1, "Work")
    run.load("1.digest.0", "digest", stage=1, core=0, unit="chains").load(
        "1.digest.1", "digest", stage=1, core=1, unit="chains"
    )
    return run.load("1.hash.0", "hash", stage=1)


def test_work_is_the_larger_of_the_last_word_and_the_last_sweep():
    run = worked().sweeps_at([()] * 10, work={"1.digest.0": 3.0, "1.digest.1": 3.0})
    run.add(
        LoadEnded(load_id="1.digest.0", how="stopped", steps=35, amount=35.0),
        LoadEnded(load_id="1.digest.1", how="signal", detail="signal 9"),
    )
    view = run.view()
    totals = load_totals(view)
    assert [(item.steps, item.amount, item.ended) for item in totals] == [
        (35, 35.0, "as planned"),
        (30, 30.0, "ended by a signal: signal 9"),
        (0, 0.0, "cut off"),
    ]
    first, second = work_rows(totals, view.stage_spans())
    assert (first.steps.exact, first.rate.exact, first.where, first.ended) == (
        "65.0",
        "6.5",
        "cores 0\u20131",
        "as planned; ended by a signal: signal 9",
    )
    assert (second.where, second.time) == ("not tied to a core", "10 s")
    assert [(row.core, row.steps.exact) for row in core_rows(totals)] == [(0, "35.0"), (1, "30.0")]


def test_a_load_that_never_ran_for_any_time_has_no_rate():
    run = worked().end_load("1.digest.0", "not_started")
    rows = work_rows(load_totals(run.view()), ())
    assert rows[0].rate.text == "\u2013"
    assert rows[0].stage == "1"


def test_the_work_rate_is_a_share_of_the_median_and_shows_a_drop():
    run = worked().sweeps_at([()] * 200, work={"1.digest.0": 3.0, "1.digest.1": 3.0})
    run.sweeps_at([()] * 50, work={"1.digest.0": 3.0, "1.digest.1": 1.5})
    group = rate_group(run.view(), run.view().stage_spans())
    (trace,) = group.traces
    inner = trace.values[~np.isnan(trace.values)]
    assert np.median(inner) == pytest.approx(100.0)
    assert inner[-2] == pytest.approx(75.0)
    assert group.reason == ""


def test_no_work_on_record_leaves_the_reason():
    assert (
        rate_group(worked().view(), worked().view().stage_spans()).reason
        == "no load reported work in two sweeps or more"
    )


def test_numbers_in_runs():
    assert ranges([0, 1, 2, 5, 7, 8]) == "0\u20132, 5, 7\u20138"
    assert ranges([]) == ""


def test_a_clock_without_a_promise_bears_no_level():
    clock = Channel(id="c", source="s", quantity="frequency", label="C", role="cpu_clock")
    view = RunBuilder(PLAN).machine((clock,)).sweeps_at([(4000.0,)] * 2).view()
    assert trace_groups(view)[1].marks == ()
