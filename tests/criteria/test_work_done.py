from __future__ import annotations

import numpy as np
import pytest

from burnin.criteria.work_done import PLUGIN
from burnin.records.channels import Channel
from burnin.records.events import Sweep, WorkDone
from burnin.records.plan import Shape

LOAD = "0.matrix.0"


def _run(tell, stage, rates, *, every_s=1.0, core=0, clocks=None, load="matrix", **fields):
    """A stage in which one load does ``rates`` of work a second, sweep by sweep."""
    told = tell(stage, sample_hz=1.0 / every_s, **fields)
    run = told.builder.stage(0, stage.name).load(LOAD, load, stage=0, core=core)
    for number, rate in enumerate(rates):
        clock = 4500.0 if clocks is None else clocks[number]
        run.sweeps_at([(70.0, clock, 3.0)], every_s=every_s, work={LOAD: float(rate)})
    run.end_load(LOAD).end_stage(0, stage.name).close()
    return run


def _judge(run, **params):
    (finding,) = PLUGIN.judge(run.view(), params)
    return finding


def _noise(count, *, sd, phi=0.0, seed=1):
    rng = np.random.default_rng(seed)
    noise = np.zeros(count)
    for k in range(1, count):
        noise[k] = phi * noise[k - 1] + rng.normal(0.0, sd * np.sqrt(1 - phi**2))
    return noise


def test_equal_work_hot_and_cold_passes(tell, one_stage):
    finding = _judge(_run(tell, one_stage(), 100 + _noise(600, sd=1.0)))
    assert (finding.outcome, finding.slug, finding.subject) == ("pass", "even", "matrix")
    assert finding.observed == pytest.approx(100.0, abs=0.5)
    assert 0 < finding.uncertainty < 1
    assert finding.margin == pytest.approx(finding.observed - 97.0)
    assert finding.stage == "only"


def test_work_that_falls_by_a_tenth_as_it_heats_fails(tell, one_stage):
    rates = 100 - 10 * (1 - np.exp(-np.arange(1800) / 300)) + _noise(1800, sd=1.0)
    finding = _judge(_run(tell, one_stage(length_s=1800.0), rates))
    assert (finding.outcome, finding.slug) == ("fail", "slower")
    # cold is 30 s to 210 s: 90 + 10 * 300/180 (exp(-0.1) - exp(-0.7)) = 96.8; hot is 90.0
    assert finding.observed == pytest.approx(100 * 90.0 / 96.8, abs=0.5)


@pytest.mark.parametrize(("count", "at_least"), [(100, 12), (300, 19), (900, 20)])
def test_a_clear_fall_is_found_under_noise_in_most_runs_and_never_passes(tell, one_stage, count, at_least):
    found = []
    for seed in range(20):
        rates = np.where(np.arange(count) < count // 2, 100.0, 80.0) * (
            1 + _noise(count, sd=0.02, phi=0.5, seed=seed)
        )
        found.append(_judge(_run(tell, one_stage(length_s=float(count)), rates)).outcome)
    assert found.count("fail") >= at_least
    assert "pass" not in found


def test_a_load_that_slept_fails(tell, one_stage):
    asleep = np.where(np.arange(600) < 300, 100.0, 0.0)
    assert _judge(_run(tell, one_stage(), asleep)).slug == "slept"
    short = _judge(_run(tell, one_stage(length_s=30.0), asleep[285:315]))
    assert (short.slug, short.outcome, short.observed) == ("slept", "fail", 0.0)
    finding = _judge(_run(tell, one_stage(), np.zeros(600)))
    assert (finding.outcome, finding.slug, finding.observed) == ("fail", "stalled", 0.0)


def test_a_perfectly_regular_load_is_compared_without_a_spread(tell, one_stage):
    assert _judge(_run(tell, one_stage(), np.full(600, 64.0))).outcome == "pass"


def test_too_few_sweeps_leave_it_open(tell, one_stage):
    finding = _judge(_run(tell, one_stage(length_s=19.0), np.full(19, 100.0)))
    assert (finding.outcome, finding.slug) == ("inconclusive", "short")
    assert finding.values["sweeps"] == 19


def test_a_fall_within_the_noise_is_open(tell, one_stage):
    rates = np.linspace(102, 98, 120) + _noise(120, sd=6.0, phi=0.5)
    finding = _judge(_run(tell, one_stage(length_s=120.0), rates))
    assert (finding.outcome, finding.slug) == ("inconclusive", "open")


def test_a_busy_neighbour_rejects_nothing_in_a_short_run(tell, one_stage):
    """Shared machine: noise of 8 % that lasts for seconds, over stages of 20 to 140 sweeps; seeded, no true change."""
    answers = []
    for seed in range(60):
        count = 20 + 2 * seed
        rates = np.clip(100 * (1 + _noise(count, sd=0.08, phi=0.8, seed=seed)), 1, None)
        answers.append(_judge(_run(tell, one_stage(length_s=float(count)), rates)).slug)
    assert {"short", "open"} <= set(answers) <= {"short", "open", "even"}


def test_a_lower_clock_is_taken_out(tell, one_stage):
    clocks = np.where(np.arange(600) < 300, 4500.0, 4000.0)
    rates = clocks / 45 + _noise(600, sd=0.5)
    finding = _judge(_run(tell, one_stage(), rates, clocks=clocks))
    assert (finding.outcome, finding.values["by_clock"]) == ("pass", True)
    other = _judge(_run(tell, one_stage(), rates, clocks=clocks, core=1))
    assert (other.outcome, other.values["by_clock"]) == ("fail", False)


def test_memory_is_not_measured_by_the_clock_of_a_core(tell, one_stage):
    clocks = np.where(np.arange(600) < 300, 4500.0, 4000.0)
    rates = 100 + _noise(600, sd=0.5)
    finding = _judge(_run(tell, one_stage(), rates, clocks=clocks, load="memory_patterns"))
    assert (finding.outcome, finding.values["by_clock"]) == ("pass", False)
    assert finding.observed == pytest.approx(100, abs=0.5)


@pytest.mark.parametrize("clock", [None, 0.0])
def test_a_clock_that_cannot_be_read_corrects_nothing(tell, one_stage, clock):
    finding = _judge(_run(tell, one_stage(), 100 + _noise(600, sd=1.0), clocks=[clock] * 600))
    assert finding.values["by_clock"] is False


def test_pulses_are_compared_over_whole_pulses(tell, one_stage):
    stage = one_stage(length_s=1200.0, shape=Shape(kind="pulsed", period_s=10.0))
    rates = np.where(np.arange(1200) % 10 < 5, 100.0, 0.0) + _noise(1200, sd=0.1) ** 2
    assert _judge(_run(tell, stage, rates)).outcome == "pass"


def test_pulses_longer_than_the_part_are_open(tell, one_stage):
    stage = one_stage(length_s=60.0, shape=Shape(kind="pulsed", period_s=50.0))
    finding = _judge(_run(tell, stage, np.full(60, 10.0)))
    assert finding.slug == "short"


@pytest.mark.parametrize("kind", ["one_core", "staircase"])
def test_shapes_that_give_each_core_its_turn_are_held_to_work_at_all(tell, one_stage, kind):
    stage = one_stage(shape=Shape(kind=kind))
    one_turn = np.where(np.arange(600) < 50, 100.0, 0.0)
    assert _judge(_run(tell, stage, one_turn)).slug == "worked"
    finding = _judge(_run(tell, stage, np.zeros(600)))
    assert (finding.slug, finding.outcome) == ("no_turn", "inconclusive")


def test_a_load_whose_record_ends_early_is_open(tell, one_stage):
    assert _judge(_run(tell, one_stage(length_s=600.0), np.full(600, 9.0))).outcome == "pass"
    told = tell(one_stage(), sample_hz=1.0)
    run = told.builder.stage(0, "only").load(LOAD, "matrix", stage=0, core=0)
    run.sweeps_at([(70.0, 4500.0, 3.0)] * 200, work={LOAD: 9.0}).end_load(LOAD, "signal")
    run.sweeps_at([(70.0, 4500.0, 3.0)] * 400).end_stage(0, "only")
    assert _judge(run).slug == "short"


def test_the_worst_instance_speaks_for_its_kind(tell, one_stage):
    told = tell(one_stage(), sample_hz=1.0)
    run = told.builder.stage(0, "only")
    for core in range(3):
        run.load(f"0.matrix.{core}", "matrix", stage=0, core=core)
    for half in range(2):
        work = {"0.matrix.0": 9.0, "0.matrix.1": 9.0 - 2 * half, "0.matrix.2": 9.0}
        run.sweeps_at([(70.0, 4500.0, 3.0)] * 300, work=work)
    finding = _judge(run.end_stage(0, "only"))
    assert (finding.subject, finding.values["instances"], finding.outcome) == ("matrix on core 1", 3, "fail")


def test_without_a_hot_stage_or_its_record_it_is_open(tell, one_stage):
    assert _judge(tell().builder).slug == "no_soak"
    run = tell(one_stage()).builder.stage(0, "only").load(LOAD, "matrix", stage=0)
    assert (_judge(run).slug, _judge(run).observed) == ("short", None)


def test_the_share_is_a_parameter(tell, one_stage):
    run = _run(tell, one_stage(), np.linspace(100, 95, 600) + _noise(600, sd=0.1))
    assert _judge(run, share=0.9).outcome == "pass"
    assert _judge(run).outcome != "pass"


def test_a_load_that_slept_through_the_beginning_fails(tell, one_stage):
    late = np.where(np.arange(600) < 400, 0.0, 100.0)
    finding = _judge(_run(tell, one_stage(), late))
    assert (finding.outcome, finding.slug, finding.observed) == ("fail", "late", 0.0)


def test_the_time_loads_take_to_open_is_no_sleep(tell, one_stage):
    told = tell(one_stage(), sample_hz=1.0)
    run = (
        told.builder.stage(0, "only")
        .sweeps_at([(70.0, 4500.0, 3.0)] * 200)
        .load(LOAD, "matrix", stage=0, core=0)
    )
    run.sweeps_at([(70.0, 4500.0, 3.0)] * 400, work={LOAD: 9.0}).end_stage(0, "only")
    assert _judge(run).outcome == "pass"


def test_a_load_that_stopped_after_the_middle_slept(tell, one_stage):
    middle = np.where(np.arange(600) < 350, 100.0, 0.0)
    assert _judge(_run(tell, one_stage(), middle)).slug == "slept"


def test_a_memory_load_goes_through_contents_that_differ_and_is_held_to_half(tell, one_stage):
    turns = np.repeat(np.tile([90.0, 65.0, 40.0, 60.0], 4), 38)[:600]
    finding = _judge(_run(tell, one_stage(), turns, load="memory_patterns"))
    assert (finding.outcome, finding.slug, finding.limit) == ("pass", "turns", 50.0)
    mostly_asleep = np.where(np.arange(600) < 300, 100.0, 30.0)
    assert _judge(_run(tell, one_stage(), mostly_asleep, load="memory_patterns")).slug == "open"
    asleep = np.where(np.arange(600) < 300, 100.0, 0.0)
    assert _judge(_run(tell, one_stage(), asleep, load="memory_patterns")).outcome == "fail"


def test_time_in_which_memory_is_only_written_is_no_cold_work(tell, one_stage):
    told = tell(one_stage(), sample_hz=1.0)
    run = told.builder.stage(0, "only").load(LOAD, "memory_patterns", stage=0, core=0)
    for second in range(600):
        done = WorkDone(
            load_id=LOAD, steps=10 * (second + 1), amount=max(0.0, 5.0 * (second - 99)), digest="0"
        )
        run.wait(1.0).add(Sweep(v=(70.0, 4500.0, 3.0), w=(done,)))
    finding = _judge(run.end_stage(0, "only"))
    assert (finding.slug, finding.observed) == ("turns", pytest.approx(100.0, abs=0.1))


def test_a_memory_load_that_only_wrote_so_far_has_not_slept(tell, one_stage):
    """Steps go on while nothing is read back yet: the first pass over a large memory."""
    for length_s in (21, 600):
        run = tell(one_stage(length_s=float(length_s)), sample_hz=1.0).builder.stage(0, "only")
        run.load(LOAD, "memory_patterns", stage=0, core=0)
        for second in range(length_s):
            done = WorkDone(load_id=LOAD, steps=9 * (second + 1), amount=0.0, digest="0")
            run.wait(1.0).add(Sweep(v=(70.0, 4500.0, 3.0), w=(done,)))
        finding = _judge(run.end_stage(0, "only"))
        assert (finding.outcome, finding.slug) == ("inconclusive", "short")


def test_few_long_steps_are_compared_as_what_they_are(tell, one_stage):
    """A step every two seconds: sweeps see 0 and 1 in turn, which is counting and not the machine."""
    finding = _judge(_run(tell, one_stage(length_s=1200.0), np.full(1200, 0.5)))
    assert (finding.outcome, finding.slug) == ("pass", "even")


def _cores(tell, stage, rates):
    """All cores at once, ``rates`` of shape (cores, sweeps)."""
    run = tell(stage, sample_hz=1.0).builder.stage(0, stage.name)
    names = [f"0.matrix.{core}" for core in range(len(rates))]
    for core, name in enumerate(names):
        run.load(name, "matrix", stage=0, core=core)
    for sweep in rates.T:
        run.sweeps_at([(70.0, 4500.0, 3.0)], work=dict(zip(names, map(float, sweep), strict=True)))
    return run.end_stage(0, stage.name)


def test_many_noisy_cores_are_judged_together(tell, one_stage):
    noisy = np.stack([100 + _noise(600, sd=12.0, seed=seed) for seed in range(8)])
    finding = _judge(_cores(tell, one_stage(), noisy))
    assert (finding.outcome, finding.subject, finding.values["instances"]) == ("pass", "matrix", 8)


def test_one_slow_core_among_many_fails_by_itself(tell, one_stage):
    rates = np.stack([100 + _noise(600, sd=1.0, seed=seed) for seed in range(8)])
    rates[5, 300:] *= 0.85
    finding = _judge(_cores(tell, one_stage(), rates))
    assert (finding.outcome, finding.slug, finding.subject) == ("fail", "slower", "matrix on core 5")
    assert finding.observed == pytest.approx(85, abs=1)


def test_one_core_without_enough_record_leaves_it_open(tell, one_stage):
    told = tell(one_stage(), sample_hz=1.0)
    run = told.builder.stage(0, "only")
    for core in range(2):
        run.load(f"0.matrix.{core}", "matrix", stage=0, core=core)
    noise = 100 + _noise(600, sd=15.0)
    for second, rate in enumerate(noise):
        work = {"0.matrix.0": float(rate), **({"0.matrix.1": 9.0} if second < 9 else {})}
        run.sweeps_at([(70.0, 4500.0, 3.0)], work=work)
    finding = _judge(run.end_stage(0, "only"))
    assert (finding.slug, finding.subject) == ("short", "matrix on core 1")


def test_one_core_that_looks_slower_leaves_it_open(tell, one_stage):
    rates = np.stack([100 + _noise(600, sd=1.0, seed=seed) for seed in range(8)])
    rates[5] += _noise(600, sd=20.0, phi=0.5, seed=50)
    rates[5, 300:] -= 8.0
    finding = _judge(_cores(tell, one_stage(), rates))
    assert (finding.outcome, finding.subject) == ("inconclusive", "matrix on core 5")


def test_a_clock_of_another_core_is_not_used(tell, one_stage):
    other = Channel(id="c", source="s", quantity="frequency", label="c", role="cpu_clock", cores=(5,))
    run = tell(one_stage(), sample_hz=1.0, channels=(other,)).builder
    run.stage(0, "only").load(LOAD, "matrix", stage=0, core=0)
    run.sweeps_at([(4000.0,)] * 600, work={LOAD: 9.0}).end_stage(0, "only")
    assert _judge(run).values["by_clock"] is False
