from __future__ import annotations

import random

import pytest

from burnin.calc.sequential import RatePlan, hours_to_accept, true_risks, verdict
from burnin.records.channels import Channel
from burnin.records.events import Anchor, FaultFound, OperatorStopped, RunRecovered, SafetyTripped
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.review.ladder import (
    Rung,
    Setting,
    Trial,
    frontier_row,
    next_rung,
    proposal_of,
    rung_states,
    trial_of,
    with_frontier,
)
from burnin.testing.run_builder import RunBuilder

RATES = RatePlan(good_per_h=0.06, bad_per_h=6.0)
ENOUGH_H = hours_to_accept(RATES) * 1.01
CPU = Channel(id="t", source="s", quantity="temperature", label="Processor", role="cpu_hottest")
POWER = Channel(id="p", source="s", quantity="power", label="Package", role="cpu_power")
PLAN = Plan(
    format=1,
    name="p",
    title="P",
    stages=(
        Stage(name="idle", kind="idle", duration_s=60.0),
        Stage(name="hot", kind="combined", duration_s=360.0, loads=(LoadUse(load="matrix"),)),
    ),
)


def _rung(number, multiplier, place=None, voltage=1.2):
    settings = (
        Setting(key="multiplier", value=float(multiplier), unit="x"),
        Setting(key="core voltage", value=voltage, unit="V"),
        Setting(key="profile", value="A"),
    )
    return Rung(number=number, place=place or float(number), settings=settings)


LADDER = tuple(_rung(number, 49 + number) for number in range(1, 6))


def _proven(rung):
    return Trial(rung=rung, run_id=f"r{rung}", hours=ENOUGH_H)


def _standings(trials, barred=None, ladder=LADDER):
    return [state.standing for state in rung_states(ladder, trials, RATES, barred=barred or {})]


def _run(watts=200.0, temp=70.0, rate=5.0, channels=(CPU, POWER)):
    run = RunBuilder(PLAN).machine(channels)
    run.stage(0, "idle").sweeps_at([(30.0, 20.0)[: len(channels)]] * 60).end_stage(0, "idle")
    run.stage(1, "hot").load("1.matrix.0", "matrix", stage=1, core=0)
    return run.sweeps_at([(temp, watts)[: len(channels)]] * 360, work={"1.matrix.0": rate})


class TestTrial:
    def test_hours_are_those_at_work_in_hot_stages(self):
        trial = trial_of(_run().end_load("1.matrix.0").end_stage(1, "hot").close().view(), 3)
        assert trial.hours == pytest.approx(360 / 3600, rel=0.02)
        assert (trial.rung, trial.run_id, trial.faults, trial.ended) == (3, "built-run", 0, "closed")

    def test_wrong_results_and_loads_that_died_by_themselves_are_faults(self):
        run = _run().add(
            FaultFound(load_id="1.matrix.0", load="matrix", stage=1, core=0, fault="wrong_result")
        )
        run.end_load("1.matrix.0", "signal", planned=False, code=11)
        assert trial_of(run.close().view(), 1).faults == 2
        for how, planned in (("out_of_memory", False), ("exception", False), ("signal", True)):
            run = _run().end_load("1.matrix.0", how, planned=planned)
            assert trial_of(run.close().view(), 1).faults == 0

    def test_how_it_ended(self):
        assert trial_of(_run().view(), 1).ended == "unfinished"
        assert trial_of(_run().add(SafetyTripped(why="value")).close("safety").view(), 1).ended == "safety"
        assert (
            trial_of(_run().add(OperatorStopped(signal="SIGINT")).close("operator").view(), 1).ended
            == "operator"
        )
        anchor = Anchor(wall_ns=1, utc_offset_s=0, mono_ns=5, boot_ns=5, boot_id="new")
        for orderly, same, ended in (
            (False, False, "reset"),
            (True, False, "orderly"),
            (None, True, "harness"),
        ):
            run = _run().add(RunRecovered(anchor=anchor, orderly=orderly, same_boot=same)).close("cut_off")
            assert trial_of(run.view(), 1).ended == ended


class TestStates:
    def test_untried_open_proven(self):
        trials = [_proven(1), Trial(rung=2, run_id="a", hours=0.1)]
        assert _standings(trials) == ["proven", "open", "untried", "untried", "untried"]
        state = rung_states(LADDER, trials, RATES, barred={})[1]
        assert state.hours_left == pytest.approx(hours_to_accept(RATES) - 0.1)
        trials.append(Trial(rung=2, run_id="b", hours=ENOUGH_H))
        state = rung_states(LADDER, trials, RATES, barred={})[1]
        assert (state.standing, state.runs, state.hours_left) == ("proven", ("a", "b"), 0.0)

    @pytest.mark.parametrize("ended", ["reset", "lost", "safety"])
    def test_a_rung_that_took_the_machine_down_fails_for_good(self, ended):
        trials = [_proven(1), Trial(rung=2, run_id="a", ended=ended), _proven(2)]
        states = rung_states(LADDER, trials, RATES, barred={})
        assert [state.standing for state in states] == ["proven", "failed", "beyond", "beyond", "beyond"]
        assert states[1].because == ended
        assert next_rung(states) is None

    @pytest.mark.parametrize("ended", ["orderly", "harness", "operator", "closed"])
    def test_other_ends_decide_nothing(self, ended):
        assert _standings([Trial(rung=1, run_id="a", ended=ended)])[0] == "open"

    def test_early_faults_reject_and_one_after_long_work_does_not(self):
        states = rung_states(LADDER, [Trial(rung=1, run_id="a", hours=0.1, faults=2)], RATES, barred={})
        assert (states[0].standing, states[0].because) == ("failed", "faults")
        assert verdict(RATES, faults=1, time_h=0.48) == "go-on"
        late = Trial(rung=1, run_id="a", hours=0.48, faults=1)
        assert _standings([late])[0] == "open"

    def test_the_operators_word_counts(self):
        states = rung_states(LADDER, [], RATES, barred={3: "no picture"})
        assert [state.standing for state in states] == ["untried", "untried", "failed", "beyond", "beyond"]
        assert states[2].because == "barred"

    def test_a_proven_rung_above_a_failed_one_stays_proven(self):
        assert _standings([Trial(rung=2, run_id="a", ended="reset"), _proven(3)])[2] == "proven"

    def test_rungs_stand_by_place_not_by_number(self):
        ladder = (*LADDER, _rung(6, 52.5, place=3.5))
        states = rung_states(ladder, [], RATES, barred={})
        assert [state.rung.number for state in states] == [1, 2, 3, 6, 4, 5]

    def test_the_next_rung_is_the_mildest_undecided_above_the_boldest_proven(self):
        assert next_rung(rung_states(LADDER, [], RATES, barred={})).rung.number == 1
        assert next_rung(rung_states(LADDER, [_proven(2)], RATES, barred={})).rung.number == 3
        assert next_rung(rung_states(LADDER, [_proven(5)], RATES, barred={})) is None


class TestProposal:
    def _of(self, trials, margin=1, barred=None):
        return proposal_of(rung_states(LADDER, trials, RATES, barred=barred or {}), margin=margin)

    def test_the_last_proven_rung_less_the_margin(self):
        proposal = self._of([*map(_proven, (1, 2, 3)), Trial(rung=4, run_id="x", ended="reset")])
        assert (proposal.rung.number, proposal.last_proven.number, proposal.first_failed.number) == (2, 3, 4)
        (margin,) = proposal.margins
        assert (margin.key, margin.shipped, margin.proven, margin.failed) == ("multiplier", 51.0, 52.0, 53.0)

    def test_only_proven_rungs_are_shipped(self):
        assert self._of([_proven(1), _proven(3)]).rung.number == 1
        assert self._of([_proven(3)]).reason == "margin-too-wide"
        assert self._of([_proven(3)], margin=0).rung.number == 3
        assert self._of([]).reason == "nothing-proven"

    def test_never_from_above_a_failed_rung(self):
        assert (
            self._of([_proven(1), Trial(rung=2, run_id="x", ended="reset"), _proven(3)], margin=0).rung.number
            == 1
        )
        assert self._of([Trial(rung=2, run_id="x", ended="reset"), _proven(3)]).reason == "nothing-proven"

    def test_without_a_failure_the_margin_has_no_upper_end(self):
        proposal = self._of(list(map(_proven, range(1, 6))))
        assert proposal.first_failed is None
        assert proposal.margins[0].failed is None

    def test_a_key_the_failed_rung_does_not_have_has_no_upper_end_either(self):
        bare = Rung(number=6, place=6.0, settings=(Setting(key="fan curve", value="quiet"),))
        states = rung_states((*LADDER, bare), list(map(_proven, range(1, 6))), RATES, barred={6: "x"})
        proposal = proposal_of(states, margin=1)
        assert proposal.first_failed == bare
        assert proposal.margins[0].failed is None


class TestFrontier:
    def test_rate_temperature_and_power_of_the_last_hot_stage(self):
        row = frontier_row(2, _run().end_stage(1, "hot").view())
        assert (row.rate, row.rate_unit, row.temp, row.temp_unit, row.power_w) == (
            pytest.approx(5.0),
            "products/s",
            70.0,
            "degC",
            200.0,
        )

    def test_what_was_not_measured_is_unknown(self):
        row = frontier_row(2, _run(channels=(CPU,)).end_stage(1, "hot").view())
        assert row.power_w is None
        empty = frontier_row(1, RunBuilder(PLAN).view())
        assert (empty.rate, empty.temp, empty.rate_unit, empty.temp_unit) == (None, None, "", "")

    def test_only_rungs_that_no_proven_one_beats_are_on_it(self):
        runs = ((1, 200.0, 70.0, 5.0), (2, 210.0, 72.0, 5.5), (3, 230.0, 75.0, 5.4), (4, 100.0, 50.0, 9.0))
        rows = [
            frontier_row(n, _run(watts, temp, rate).end_stage(1, "hot").view())
            for n, watts, temp, rate in runs
        ]
        marked = with_frontier(rows, frozenset({1, 2, 3}))
        assert [row.on_frontier for row in marked] == [True, True, False, False]

    def test_other_units_are_not_compared(self):
        view = _run().end_stage(1, "hot").view()
        rows = [frontier_row(1, view), frontier_row(2, RunBuilder(PLAN).view())]
        assert [row.on_frontier for row in with_frontier(rows, frozenset({1, 2}))] == [True, True]


def test_settings_read_as_people_write_them():
    assert str(LADDER[0]) == "multiplier 50 x, core voltage 1.2 V, profile A"


@pytest.mark.parametrize(("rate", "accepted"), [(0.06, True), (6.0, False)])
def test_the_ladders_own_decisions_have_the_printed_error_rates(rate, accepted):
    """3,000 simulated rungs at either rate, run until the ladder decides; against the exact risk that is printed."""
    rng = random.Random(5)
    right = 0
    for _ in range(3000):
        hours, faults, standing = 0.0, 0, "untried"
        while standing not in {"proven", "failed"}:
            wait = rng.expovariate(rate)
            state = rung_states(
                [_rung(1, 50)], [Trial(rung=1, run_id="", hours=hours, faults=faults)], RATES, barred={}
            )[0]
            if state.standing in {"proven", "failed"}:
                standing = state.standing
            elif wait >= state.hours_left:
                hours += state.hours_left
            else:
                hours, faults = hours + wait, faults + 1
        right += (standing == "proven") == accepted
    wrong = 1 - right / 3000
    exact = true_risks(RATES, rate).accept
    assert wrong == pytest.approx(1 - exact if accepted else exact, abs=0.012)
    assert wrong < 0.07
