"""Identity, notes, method and what to see at home."""

from __future__ import annotations

import pytest
from invented import ORDER, PLAN
from samples import FIRST_LOOK

from burnin.records.channels import Channel
from burnin.records.events import CautionsAnswered, InstrumentReading, Remark, RunClosed, Software
from burnin.records.inventory import BoardPart, Inventory
from burnin.records.paperwork import Order
from burnin.records.plan import LoadUse, Plan, Shape, Stage
from burnin.report.home import home
from burnin.report.identity import condition_facts, order_facts, run_facts
from burnin.report.method import array_note, decision_rule, fold_rule, plugin_versions, stage_rows, versions
from burnin.report.notes import beyond_ratings, cautions_answer, warranty_note
from burnin.testing.run_builder import RunBuilder

CPU = Channel(id="cpu", source="s", quantity="temperature", label="CPU", role="cpu_hottest")
FAN = Channel(id="fan", source="s", quantity="fan_speed", label="", role="fan")


def named(facts):
    return {fact.name: fact.value for fact in facts}


def test_for_whom_and_which_machine():
    view = (
        RunBuilder(PLAN, order=ORDER)
        .machine(inventory=Inventory(board=BoardPart(system_serial="SYS-1", serial="B-1")))
        .view()
    )
    assert named(order_facts(view)) == {
        "Order": "2026-0417",
        "Customer": "K-2203",
        "Machine": "Tisch-PC Kranich",
        "Serial number": "LH-000417",
        "Serial number read from the machine": "SYS-1",
    }


@pytest.mark.parametrize(
    ("unknown", "reason"),
    [
        ({"serial": "only root may read it"}, "only root may read it"),
        ({"*": "no firmware tables"}, "no firmware tables"),
        ({}, "the machine states none"),
    ],
)
def test_a_missing_fact_says_why(unknown, reason):
    view = (
        RunBuilder(PLAN, order=Order(format=1, order="9"))
        .machine(inventory=Inventory(board=BoardPart(unknown=unknown)))
        .view()
    )
    facts = {fact.name: fact for fact in order_facts(view)}
    assert facts["Serial number read from the machine"].value == f"not stated: {reason}"
    assert facts["Customer"].value == "not stated: the order sheet names none"
    assert facts["Customer"].missing
    assert not facts["Order"].missing


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("complete", "the plan was carried out to its end"),
        ("safety", "a safety limit stopped it"),
        ("full_moon", "full moon"),
        (None, "unknown: the journal has no end"),
    ],
)
def test_why_the_run_ended(reason, words):
    run = RunBuilder(FIRST_LOOK, retest_of="earlier").wait(60)
    run.add(RunClosed(reason=reason) if reason else Remark(text="then nothing"))
    facts = named(run_facts(run.view()))
    assert facts["Ended because"] == words
    assert facts["Re-test of run"] == "earlier"
    assert facts["Began"] == "2026-05-28 22:26:40 +02:00"
    assert facts["Ended, after 60 s"] == "2026-05-28 22:27:40 +02:00"


def test_the_room_is_measured_declared_or_missing_with_the_reason():
    import msgspec

    assert (
        named(condition_facts(RunBuilder(PLAN).view()))["Room"]
        == "not measured, because nobody gave a reading"
    )
    declared = msgspec.structs.replace(PLAN, ambient_c=21.5)
    assert (
        named(condition_facts(RunBuilder(declared).view()))["Room"] == "21.5 \u00b0C as declared in the plan"
    )
    run = RunBuilder(declared, with_rights=True)
    run.add(InstrumentReading(name="room", value=22.0, unit="degC", moment="start"))
    run.add(
        InstrumentReading(
            name="wall_power",
            value=412.3,
            unit="W",
            uncertainty=4.0,
            instrument="Meter 1",
            calibrated="2026-01",
            place="socket",
        )
    )
    facts = named(condition_facts(run.view()))
    assert facts["Room, start"] == "22 \u00b0C (instrument not named, calibration unknown)"
    assert facts["Wall power"] == "412.3 \u00b1 4 W (socket, Meter 1, calibrated 2026-01)"
    assert "Room" not in facts
    assert facts["Read with"] == "administrator's rights"


def test_beyond_ratings_is_yes_no_or_not_stated():
    assert beyond_ratings(RunBuilder(PLAN).view())[0] is None
    plain = RunBuilder(PLAN, order=Order(format=1, order="9")).view()
    assert beyond_ratings(plain) == (
        False,
        "No: the order sheet lists no setting beyond the makers' ratings.",
    )
    yes, sentence = beyond_ratings(RunBuilder(PLAN, order=ORDER).view())
    assert yes
    assert sentence.startswith("Yes: CPU clock 5000 MHz on all cores (maker: 4700 MHz); memory")
    assert "can end" in warranty_note(beyond=True)
    assert "changed later" in warranty_note(beyond=False)
    assert "changed later" in warranty_note(beyond=None)


@pytest.mark.parametrize(
    ("how", "words"), [("asked", "read and answered"), ("option", "in advance"), ("remembered", "remembered")]
)
def test_how_the_cautions_were_answered(how, words):
    assert words in cautions_answer(RunBuilder(PLAN).add(CautionsAnswered(how=how)).view())


def test_no_answer_to_the_cautions_is_said():
    assert cautions_answer(RunBuilder(PLAN).view()) == "The journal holds no answer to the cautions."


def test_stages_as_planned_and_as_run():
    plan = Plan(
        format=1,
        name="p",
        title="P",
        decision_rule="simple",
        stages=(
            Stage(
                name="A",
                kind="soak",
                until="steady",
                at_least_s=300,
                at_most_s=3600,
                loads=(LoadUse(load="matrix", cores=(0, 1, 2, 5), params={"n": 2048}),),
            ),
            Stage(
                name="B",
                kind="dwell",
                duration_s=60,
                shape=Shape(kind="one_core"),
                loads=(LoadUse(load="digest", cores="one"),),
            ),
            Stage(name="C", kind="idle", duration_s=60),
        ),
    )
    run = (
        RunBuilder(plan)
        .stage(0, "A")
        .wait(400)
        .end_stage(0, "A", "steady")
        .stage(1, "B")
        .wait(30)
        .end_stage(1, "B", "odd_reason")
    )
    first, second, third = stage_rows(run.view())
    assert (first.planned, first.ran, first.ended) == (
        "until steady, 5 min to 60 min",
        "7 min",
        "steady state reached",
    )
    assert first.loads == "matrix on cores 0\u20132, 5 (n 2048)"
    assert (second.planned, second.ended, second.loads) == (
        "60 s, one core",
        "odd reason",
        "digest on one core",
    )
    assert (third.ran, third.ended, third.loads) == ("not run", "the run ended before it", "none")
    assert "up to 50 %" in decision_rule(plan)
    assert "guarded" in decision_rule(PLAN)
    assert "at least 60 minutes" in fold_rule(plan)


def test_a_memory_test_says_what_it_does_not_show():
    with_memory = RunBuilder(PLAN).load("1.memory_patterns.0", "memory_patterns", stage=0).view()
    assert array_note(with_memory).startswith(" Coverage of a memory array is not")
    assert array_note(RunBuilder(PLAN).load("1.matrix.0", "matrix", stage=0).view()) == ""


def test_versions_of_everything_that_took_part():
    software = Software(
        burnin="0.1.0",
        python="3.11.7",
        libraries={"numpy": "2.4.6"},
        plugins={
            "loads/b": "x 1",
            "loads/a": "x 1",
            "loads/c": "y 2",
            "criteria/k": "x 1, rule 3",
            "loose": "z 0",
        },
    )
    view = RunBuilder(PLAN, software=software).view()
    assert [item.name for item in versions(view)] == [
        "burnin",
        "Python",
        "numpy",
        "journal format",
        "plan file, SHA-256",
        "seed of all loads",
    ]
    assert [(item.name, item.version) for item in plugin_versions(view)] == [
        ("criteria, x 1, rule 3", "k"),
        ("loads, x 1", "a, b"),
        ("loads, y 2", "c"),
        ("plugins, z 0", "loose"),
    ]


def warmed(*, hot=True, **plan):
    import msgspec

    run = RunBuilder(msgspec.structs.replace(FIRST_LOOK, **plan)).machine((CPU, FAN))
    run.stage(0, "Idle").sweeps_at(
        [(30.0, None)] * 10 + [(31.0, None), (32.0, None), (32.0, None)]
    ).end_stage(0, "Idle")
    if hot:
        run.stage(1, "Work").sweeps_at([(60.0, 800.0), *[(80.0, 900.0)] * 30]).end_stage(1, "Work")
    return run


def test_what_to_see_at_home_comes_from_the_last_quarter_of_rest_and_load():
    seen = home(warmed(ambient_c=22.0).view())
    assert [(row.label, row.rest, row.load) for row in seen.rows] == [
        ("CPU", "30.0 \u00b0C to 32.0 \u00b0C", "80.0 \u00b0C"),
        ("fan", "not measured", "900 rpm"),
    ]
    assert seen.room == "They hold for a room of 22.0 \u00b0C, as declared and not measured."


def test_what_to_see_at_home_names_the_room_or_that_nobody_measured_it():
    assert "was not measured, because" in home(warmed().view()).room
    run = warmed(hot=False)
    run.add(
        InstrumentReading(name="room", value=21.0, unit="degC"),
        InstrumentReading(name="room", value=22.0, unit="degC"),
    )
    seen = home(run.view())
    assert seen.room == "They hold for a room of 21.0 \u00b0C to 22.0 \u00b0C, as measured during the test."
    assert seen.rows[0].load == "not measured"
    assert len(seen.rows) == 1


def test_what_to_see_at_home_says_why_it_is_not_given():
    assert home(RunBuilder(FIRST_LOOK).view()).reason == "no idle and no hot stage was run"
    run = RunBuilder(FIRST_LOOK).machine(()).stage(0, "Idle").wait(10).end_stage(0, "Idle")
    assert home(run.view()).reason == "the machine has no temperature or fan sensor that can be read"
