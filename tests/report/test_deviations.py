from __future__ import annotations

import pytest
from samples import FIRST_LOOK

from burnin.records.events import (
    Anchor,
    ClockStepped,
    Remark,
    Resumed,
    RunRecovered,
    SafetyTripped,
    SamplingTrouble,
    StorageTrouble,
)
from burnin.records.paperwork import Order
from burnin.records.view import Integrity
from burnin.report.deviations import deviations, remarks
from burnin.testing.run_builder import START_MONO_NS, START_WALL_NS, RunBuilder

ANCHOR = Anchor(
    wall_ns=START_WALL_NS + 90 * 10**9, utc_offset_s=7200, mono_ns=START_MONO_NS, boot_ns=START_MONO_NS
)


@pytest.mark.parametrize(
    ("event", "text"),
    [
        (
            SafetyTripped(why="value", channel="hwmon/cpu", value=95.5, limit=95.0, unit="degC"),
            "Safety stop (value): hwmon/cpu, 95.5 \u00b0C, limit 95.0 \u00b0C.",
        ),
        (
            SafetyTripped(why="quiet", channel="hwmon/cpu"),
            "Safety stop (quiet): hwmon/cpu, no reading any more.",
        ),
        (
            SafetyTripped(why="watch_lost", detail="process gone"),
            "Safety stop (watch lost): the safety watch, process gone.",
        ),
        (
            SamplingTrouble(what="gap", span_s=12.0, detail="sensor busy"),
            "Sampling gap of 12 s: sensor busy.",
        ),
        (SamplingTrouble(what="ended"), "Sampling ended of 0 s."),
        (
            StorageTrouble(what="sync", error="no space left", span_s=3.0, lost=1),
            "The journal could not be written for 3 s (no space left); 1 line lost.",
        ),
        (ClockStepped(what="wall", by_s=-3600.0), "The machine's clock was changed by 60 min."),
        (ClockStepped(what="suspend", by_s=600.0), "The machine slept for 10 min."),
        (Resumed(anchor=ANCHOR, reason="firmware asked"), "The run went on after a restart: firmware asked."),
        (Resumed(anchor=ANCHOR), "The run went on after a restart: reason not stated."),
        (
            RunRecovered(anchor=ANCHOR, dropped_bytes=17, causes=("mce: bank 4",)),
            "The run was cut off and closed later (mce: bank 4); 17 bytes of a torn line set aside.",
        ),
        (
            RunRecovered(anchor=ANCHOR),
            "The run was cut off and closed later (no cause found); 0 bytes of a torn line set aside.",
        ),
    ],
)
def test_each_kind_of_deviation_in_words(event, text):
    run = RunBuilder(FIRST_LOOK).wait(2).add(event)
    (found,) = deviations(run.view())
    assert found.text == text
    assert found.moment.endswith("after the start")


def test_stages_that_ended_otherwise_stand_in_order_of_time():
    run = RunBuilder(FIRST_LOOK).stage(0, "Idle").wait(5).end_stage(0, "Idle", "longest")
    run.add(SamplingTrouble(what="gap", span_s=1.0)).wait(1).stage(1, "Work").wait(9)
    texts = [item.text for item in deviations(run.view())]
    assert texts == [
        "Stage Idle ended at its longest time without reaching its condition.",
        "Sampling gap of 1 s.",
        "Stage Work ended because the machine stopped or the power went.",
    ]
    odd = RunBuilder(FIRST_LOOK).stage(0, "Idle").end_stage(0, "Idle", "moon_phase")
    assert [item.text for item in deviations(odd.view())] == ["Stage Idle ended moon phase."]


def test_a_damaged_journal_is_a_deviation():
    from dataclasses import replace

    view = RunBuilder(FIRST_LOOK).wait(3).close().view()
    damaged = replace(
        view, integrity=Integrity(lines=2, head_sha256="0" * 64, dropped_bytes=1, trouble="torn line")
    )
    assert deviations(damaged)[0].text == "The end of the journal is damaged (torn line); 1 byte left out."
    bare = replace(view, integrity=Integrity(lines=2, head_sha256="0" * 64, dropped_bytes=5))
    assert "unreadable bytes" in deviations(bare)[0].text
    assert deviations(view) == ()


def test_remarks_of_note_order_and_operator():
    order = Order(format=1, order="1", remarks="handle with care")
    run = RunBuilder(FIRST_LOOK, note="second try", order=order).wait(61).add(Remark(text="fan replaced"))
    found = remarks(run.view())
    assert [item.text for item in found] == ["second try", "handle with care", "fan replaced"]
    assert found[2].moment == "22:27:41, 61 s after the start"
    assert remarks(RunBuilder(FIRST_LOOK).view()) == ()
