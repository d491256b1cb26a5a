from __future__ import annotations

import msgspec
import pytest

from burnin.criteria.temperature_limits import PLUGIN
from burnin.records.channels import Absence, Channel
from burnin.records.events import ChannelsDescribed
from burnin.records.paperwork import Order, PartOrdered
from burnin.records.plan import Limits, Stage

CPU = Channel(
    id="t",
    source="s",
    quantity="temperature",
    label="Processor",
    role="cpu_hottest",
    accuracy=2.0,
    accuracy_source="class of sensor",
    limit_critical=100.0,
)
STAGES = (
    Stage(name="rest", kind="idle", duration_s=60.0),
    Stage(name="hot", kind="soak", duration_s=60.0),
    Stage(name="cool", kind="cool_down", duration_s=60.0),
)


def _like(channel=CPU, **fields):
    return msgspec.structs.replace(channel, **fields)


def _run(tell, hot, *, channels=(CPU,), bad=(), **fields):
    """Rest and cool-down far above every limit: only what the soak shows may decide."""
    told = tell(*STAGES, channels=channels, sample_hz=1.0, **fields)
    for index, stage in enumerate(STAGES):
        rows = hot if stage.name == "hot" else [(150.0,) * len(channels)] * 20
        told.builder.stage(index, stage.name).sweeps_at(rows, bad=bad if stage.name == "hot" else ())
        told.builder.end_stage(index, stage.name)
    return told.builder.close().view()


def _judge(view, **params):
    (finding,) = PLUGIN.judge(view, params)
    assert finding.safety
    return finding


@pytest.mark.parametrize(
    ("temp_c", "slug", "outcome"),
    [
        # critical 100 less the margin of 5 is the limit; accuracy 2 is the guard band before it (ILAC-G8, w = U)
        (92.9, "within", "pass"),
        (93.1, "too_near", "inconclusive"),
        (94.9, "too_near", "inconclusive"),
        (95.1, "beyond", "fail"),
    ],
)
def test_the_guarded_rule_keeps_the_accuracy_before_the_limit(tell, temp_c, slug, outcome):
    finding = _judge(_run(tell, [(60.0,)] * 30 + [(temp_c,)] + [(60.0,)] * 30))
    assert (finding.slug, finding.outcome) == (slug, outcome)
    assert finding.observed == pytest.approx(temp_c, abs=1e-4)
    assert (finding.limit, finding.uncertainty) == (95.0, 2.0)
    assert finding.margin == pytest.approx(95.0 - temp_c, abs=1e-4)
    assert (finding.values["limit_from"], finding.values["rule"]) == ("hardware", "guarded")


@pytest.mark.parametrize(("temp_c", "outcome"), [(94.9, "pass"), (95.1, "fail")])
def test_the_simple_rule_compares_bare_values(tell, temp_c, outcome):
    assert _judge(_run(tell, [(temp_c,)] * 60, decision_rule="simple")).outcome == outcome


@pytest.mark.parametrize(
    ("fields", "limits", "limit", "origin"),
    [
        ({"limit_high": 85.0}, Limits(), 85.0, "hardware"),
        ({"limit_high": 99.0}, Limits(), 95.0, "hardware"),
        ({"limit_high": 85.0, "limit_critical": None}, Limits(), 85.0, "hardware"),
        ({"limit_high": 85.0}, Limits(cpu_c=90.0), 90.0, "plan"),
        ({}, Limits(trip_margin_c=10.0), 90.0, "hardware"),
    ],
)
def test_the_limit_is_the_plans_else_the_lower_one_of_the_hardware(tell, fields, limits, limit, origin):
    finding = _judge(_run(tell, [(60.0,)] * 60, channels=(_like(**fields),), limits=limits))
    assert (finding.limit, finding.values["limit_from"], finding.outcome) == (limit, origin, "pass")


def test_a_sensor_that_states_no_accuracy_gets_the_usual_one_and_says_so(tell):
    view = _run(tell, [(91.0,)] * 60, channels=(_like(accuracy=None, accuracy_source=""),))
    finding = _judge(view)
    assert (finding.outcome, finding.uncertainty, finding.values["accuracy_stated"]) == (
        "inconclusive",
        5.0,
        False,
    )
    assert _judge(view, accuracy_c=1.0).outcome == "pass"


def test_no_limit_from_anywhere_is_open(tell):
    finding = _judge(_run(tell, [(60.0,)] * 60, channels=(_like(limit_critical=None),)))
    assert (finding.slug, finding.outcome, finding.required, finding.margin) == (
        "no_limit",
        "inconclusive",
        True,
        None,
    )


def test_a_drive_without_a_limit_decides_nothing(tell):
    drive = _like(id="d", role="storage", limit_critical=None, label="Drive")
    _, finding = PLUGIN.judge(_run(tell, [(60.0, 40.0)] * 60, channels=(CPU, drive)), {})
    assert (finding.slug, finding.required) == ("no_limit", False)


def test_no_processor_sensor_is_open(tell):
    finding = _judge(_run(tell, [()] * 60, channels=()))
    assert (finding.slug, finding.outcome, finding.required) == ("no_sensor", "inconclusive", True)
    assert finding.subject == "Processor temperature"


def test_single_cores_stand_in_for_a_missing_hottest_reading_only(tell):
    core = _like(id="c", role="cpu_core", label="Core 0")
    assert _judge(_run(tell, [(60.0,)] * 60, channels=(core,))).subject == "Core 0"
    assert _judge(_run(tell, [(60.0, 99.0)] * 60, channels=(CPU, core))).outcome == "pass"


@pytest.mark.parametrize(
    ("hot", "bad", "slug"),
    [
        ([(60.0,)] * 55 + [(None,)] * 5, (), "vanished"),
        ([(60.0,)] * 30 + [(None,)] * 10 + [(60.0,)] * 20, (), "vanished"),
        ([(None,)] * 60, (), "no_reading"),
        ([(255.0,)] * 60, (0,), "no_reading"),
        ([], (), "no_soak"),
    ],
)
def test_readings_that_do_not_carry_a_pass(tell, hot, bad, slug):
    finding = _judge(_run(tell, hot, bad=bad))
    assert (finding.slug, finding.outcome) == (slug, "inconclusive")


def test_implausible_values_never_decide_and_many_of_them_leave_it_open(tell):
    told = tell(*STAGES, channels=(CPU,), sample_hz=1.0)
    told.builder.stage(1, "hot").sweeps_at([(60.0,)] * 50).sweeps_at([(255.0,)] * 10, bad=(0,))
    finding = _judge(told.builder.sweeps_at([(60.0,)]).end_stage(1, "hot").view())
    assert (finding.slug, finding.observed) == ("implausible", 60.0)


def test_a_sensor_that_vanished_after_it_was_too_hot_still_fails(tell):
    finding = _judge(_run(tell, [(97.0,)] * 30 + [(None,)] * 30))
    assert (finding.slug, finding.outcome) == ("beyond", "fail")


def test_other_parts_are_judged_where_they_have_a_sensor(tell):
    roles = ("coolant", "power_stage", "graphics", "graphics_memory", "storage")
    channels = (CPU, *(_like(id=role, role=role, label=role) for role in roles))
    limits = Limits(coolant_c=45.0, power_stage_c=90.0, graphics_c=80.0, storage_c=70.0)
    view = _run(tell, [(60.0, 50.0, 80.0, 70.0, 90.0, 60.0)] * 60, channels=channels, limits=limits)
    by_subject = {finding.subject: finding for finding in PLUGIN.judge(view, {})}
    assert by_subject["coolant"].outcome == "fail"
    assert by_subject["graphics"].limit == 80.0
    assert by_subject["graphics_memory"].limit == 95.0
    assert [by_subject[role].outcome for role in roles[1:]] == ["pass"] * 4


def test_parts_that_plan_or_order_ask_for_need_a_sensor(tell):
    view = _run(tell, [(60.0,)] * 60, limits=Limits(coolant_c=45.0))
    _, coolant = PLUGIN.judge(view, {})
    assert (coolant.slug, coolant.subject, coolant.required) == ("no_sensor", "Coolant temperature", True)
    order = Order(format=1, order="7", parts=(PartOrdered(part="graphics", text="A card"),))
    _, graphics = PLUGIN.judge(_run(tell, [(60.0,)] * 60, opened={"order": order}), {})
    assert (graphics.slug, graphics.subject) == ("no_sensor", "Graphics temperature")


def test_the_reason_for_an_absent_sensor_is_the_sources(tell):
    run = tell(channels=()).builder
    run.lines.pop()
    absent = (Absence(what="temperature sensors", reason="the kernel lists no chip", quantity="temperature"),)
    run.add(ChannelsDescribed(channels=(), absent=absent))
    assert _judge(run.view()).values["reason"] == "the kernel lists no chip"
