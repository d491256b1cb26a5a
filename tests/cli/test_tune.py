from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs

from burnin.cli import ladder_file, tune_run
from burnin.cli.main import main
from burnin.cli.tune import screening_plan
from burnin.errors import InputError
from burnin.journal.recovery import Evidence
from burnin.records.events import Anchor, FaultFound, SafetyTripped
from burnin.records.plan import Plan
from burnin.testing.run_builder import START_MONO_NS, START_WALL_NS, RunBuilder

RATES = ("--bad-rate", "60", "--good-rate", "0.6")


class PowerCut(BaseException):
    """The machine went down."""


class Bench:
    """Stands in for a machine whose settings are set by hand: what happens on a rung is scripted.

    Attributes:
        script: What happens at a value of the first setting: ``fine``, ``reset``, ``reset at once``, ``fault``, ``faults``,
            ``hot``, ``operator`` or ``refused``.
        tried: Values in the order they were tried.
    """

    def __init__(self, script):
        self.script = script
        self.tried = []
        self.count = 0

    def run(self, ready):
        request, _ = ready
        value = float(request.note.rsplit("multiplier ", 1)[1].split()[0])
        self.tried.append(value)
        what = self.script.get(value, "fine")
        if isinstance(what, list):
            what = what.pop(0)
        if what == "refused":
            raise InputError("--out: no space left on device", slug="out-unwritable")
        if what == "reset at once":
            raise PowerCut
        self.count += 1
        reason = self._told(request, what)
        if what == "reset":
            raise PowerCut
        return reason

    def _told(self, request, what):
        anchor = Anchor(
            wall_ns=START_WALL_NS + self.count * invented_runs.DAY_NS,
            utc_offset_s=0,
            mono_ns=START_MONO_NS,
            boot_ns=START_MONO_NS,
            boot_id="before the reset",
        )
        run = RunBuilder(request.plan, run_id=f"run-{self.count:03d}", note=request.note, anchor=anchor)
        run.machine(invented_runs.CHANNELS)
        index = max(n for n, stage in enumerate(request.plan.stages) if stage.kind == "combined")
        stage = request.plan.stages[index]
        run.stage(index, stage.name).load("a", "matrix", stage=index, core=0)
        watts = 150.0 + 10 * self.count
        seconds = int(stage.duration_s) if what == "fine" else 100
        run.sweeps_at([(60.0 + self.count, watts, 4500.0)] * seconds, work={"a": 5.0 + self.count})
        if what != "reset":
            for _ in range({"fault": 1, "faults": 3}.get(what, 0)):
                run.add(FaultFound(load_id="a", load="matrix", stage=index, core=0, fault="wrong_result"))
            if what == "hot":
                run.add(SafetyTripped(why="value", channel="hwmon/cpu", value=96.0, limit=95.0, unit="degC"))
            run.end_load("a").end_stage(index, stage.name)
            run.close(
                {"fault": "fault", "faults": "fault", "hot": "safety", "operator": "operator"}.get(
                    what, "complete"
                )
            )
        invented_runs.write_journal(run, request.out / f"run-{self.count:03d}")
        return {"fine": "complete", "hot": "safety", "operator": "operator"}.get(what, "fault")


@pytest.fixture
def bench(monkeypatch, tmp_path):
    def make(script):
        bench = Bench(script)
        monkeypatch.setattr(tune_run, "run_ready", bench.run)
        return bench

    anchor = Anchor(
        wall_ns=START_WALL_NS * 2, utc_offset_s=0, mono_ns=1, boot_ns=1, boot_id="after the reset"
    )
    monkeypatch.setattr("burnin.cli.recover.evidence", lambda _: Evidence(anchor=anchor, orderly=False))
    monkeypatch.chdir(tmp_path)
    return make


def _tune(capsys, *words, code=0):
    assert main(["tune", *map(str, words)]) == code
    return capsys.readouterr().out


def _json(capsys, *words, code=0):
    return json.loads(_tune(capsys, *words, "--json", code=code).splitlines()[-1])


def _error(capsys, *words):
    assert main(["tune", *map(str, words)]) == 2
    return capsys.readouterr().err


def _ladder(capsys, *multipliers, name="otter", margin=1):
    _tune(capsys, "new", name, *RATES, "--margin", margin)
    for multiplier in multipliers:
        _tune(capsys, "add", name, f"multiplier={multiplier}:x", "profile=A")


def _run(capsys, code, name="otter"):
    return _tune(capsys, "run", name, "--yes", code=code)


def test_a_session_with_two_resets_ends_with_the_right_proposal_and_the_resets_on_record(capsys, bench):
    """50 to 52 hold, 53 resets the machine, so does 52.5, put in between afterwards: 51 is to ship, a rung below 52."""
    machine = bench({53.0: "reset", 52.5: "reset"})
    _ladder(capsys, 50, 51, 52, 53)
    for _ in range(3):
        _run(capsys, 0)
    with pytest.raises(PowerCut):
        main(["tune", "run", "otter", "--yes"])
    assert "was never closed" in _error(capsys, "run", "otter", "--yes")
    assert main(["recover", "--out", "runs"]) == 0
    capsys.readouterr()
    after = _json(capsys, "show", "otter")
    assert [rung["standing"] for rung in after["rungs"]] == ["proven", "proven", "proven", "failed"]
    assert after["rungs"][3]["because"] == "reset"
    assert "no rung is left to try" in _error(capsys, "run", "otter", "--yes")
    assert "has these settings already" in _error(capsys, "add", "otter", "multiplier=53:x", "profile=A")
    _tune(capsys, "add", "otter", "multiplier=52.5:x", "profile=A", "--before", "4")
    with pytest.raises(PowerCut):
        main(["tune", "run", "otter", "--yes"])
    assert main(["recover", "--out", "runs"]) == 0
    capsys.readouterr()
    text = _tune(capsys, "show", "otter")
    assert "To ship: rung 2, multiplier 51 x, profile A" in text
    assert "multiplier: 51 x, at least 1 x from failing, at most 1.5 x (failed at 52.5 x)" in text
    assert "burnin accept --plan one-night" in text
    assert text.count("the machine was reset") == 2
    told = _json(capsys, "show", "otter")
    assert [trial["ended"] for trial in told["trials"]].count("reset") == 2
    assert told["proposal"]["rung"] == 2
    assert machine.tried == [50, 51, 52, 53, 52.5]
    from burnin.journal.reader import read_run

    recovered = read_run(Path("runs") / "run-004")
    assert recovered.closed.reason == "cut_off"
    assert "rung 4: multiplier 53 x" in recovered.opened.note


class TestRun:
    def test_a_rung_runs_as_long_as_the_plan_of_the_test_asks(self, capsys, bench):
        bench({})
        _ladder(capsys, 50)
        text = _run(capsys, 0)
        assert "Set this by hand" in text
        assert "changes no clock, no voltage and no fan" in text
        told = _json(capsys, "show", "otter")
        (rung,) = told["rungs"]
        assert rung["hours"] >= told["sequential_plan"]["hours_without_a_fault"]
        assert rung["hours"] < told["sequential_plan"]["hours_without_a_fault"] * 1.25

    def test_after_a_fault_late_enough_it_runs_on(self, capsys, bench):
        machine = bench({50.0: ["fault", "fine"]})
        _tune(capsys, "new", "otter", "--good-rate", "6", "--bad-rate", "60")
        _tune(capsys, "add", "otter", "multiplier=50:x")
        _run(capsys, 0)
        assert machine.tried == [50, 50]
        (rung,) = _json(capsys, "show", "otter")["rungs"]
        assert (rung["standing"], rung["faults"]) == ("proven", 1)

    def test_too_many_faults_fail_it(self, capsys, bench):
        machine = bench({50.0: "faults"})
        _ladder(capsys, 50, 51)
        text = _run(capsys, 1)
        assert machine.tried == [50]
        assert "FAILED: too many wrong results for its time" in text
        assert "not offered: above a failed rung" in text
        assert "No proposal yet" in text

    def test_a_safety_stop_fails_it(self, capsys, bench):
        bench({50.0: "hot"})
        _ladder(capsys, 50)
        assert "FAILED: stopped for safety" in _run(capsys, 1)

    def test_when_the_operator_stops_it_stays_open(self, capsys, bench):
        machine = bench({50.0: "operator"})
        _ladder(capsys, 50)
        assert "not decided yet, " in _run(capsys, 3)
        assert machine.tried == [50]

    def test_long_rungs_are_cut_into_several_runs(self, capsys, bench):
        machine = bench({})
        _tune(capsys, "new", "otter", *RATES)
        _tune(capsys, "add", "otter", "multiplier=50:x")
        _tune(capsys, "run", "otter", "--yes", "--most-minutes", "1.2")
        assert machine.tried == [50, 50, 50]

    def test_a_run_that_left_no_journal_took_the_machine_down(self, capsys, bench):
        bench({51.0: "reset at once"})
        _ladder(capsys, 50, 51)
        _run(capsys, 0)
        with pytest.raises(PowerCut):
            main(["tune", "run", "otter", "--yes"])
        capsys.readouterr()
        text = _tune(capsys, "show", "otter")
        assert "FAILED: the machine went down before the run was on record" in text
        assert "No proposal: there is no proven rung so far below" in text

    def test_a_run_that_never_began_says_nothing(self, capsys, bench):
        bench({50.0: ["refused", "fine"]})
        _ladder(capsys, 50)
        assert "no space left" in _error(capsys, "run", "otter", "--yes")
        assert _json(capsys, "show", "otter")["trials"] == []
        _run(capsys, 0)
        assert "attempt 2, rung 1" in Path("runs/run-001/journal.jsonl").read_text(encoding="utf-8")

    def test_nothing_runs_before_the_cautions_are_answered(self, capsys, bench):
        machine = bench({})
        _ladder(capsys, 50)
        assert "cautions" in _error(capsys, "run", "otter")
        assert machine.tried == []
        assert _json(capsys, "show", "otter")["trials"] == []

    def test_json_keeps_talk_off_the_output(self, capsys, bench):
        bench({})
        _ladder(capsys, 50)
        out = _tune(capsys, "run", "otter", "--yes", "--json")
        assert json.loads(out)["rungs"][0]["standing"] == "proven"

    def test_a_plan_made_impossible_by_its_length_is_refused(self, capsys, bench, tmp_path):
        bench({})
        _ladder(capsys, 50)
        plan = tmp_path / "cold.toml"
        plan.write_text(
            'format = 1\ntitle = "Cold"\n[[stages]]\nname = "idle"\nkind = "idle"\nduration_s = 9\n'
        )
        assert "no soak or combined stage with a load" in _error(
            capsys, "run", "otter", "--yes", "--plan", plan
        )
        assert "from 1 to 1440" in _error(capsys, "run", "otter", "--yes", "--most-minutes", "nan")

    def test_the_plan_ends_at_the_first_fault_and_accepts_nothing(self):
        plan = screening_plan(invented_runs.PLAN, 77.4)
        assert (plan.on_fault, plan.first_look, plan.stages[-1].duration_s) == ("stop", True, 77.0)
        with pytest.raises(InputError, match="no soak or combined stage"):
            screening_plan(Plan(format=1, name="p", title="P"), 60.0)


class TestLadder:
    def test_rungs_are_declared_with_free_keys(self, capsys):
        _tune(capsys, "new", "otter")
        _tune(
            capsys,
            "add",
            "otter",
            "core voltage=1.30:V",
            "fan curve=quiet",
            "power limit=180:W",
            "--note",
            "as is",
        )
        told = _json(capsys, "show", "otter")
        assert [(s["key"], s["value"], s["unit"]) for s in told["rungs"][0]["settings"]] == [
            ("core voltage", 1.3, "V"),
            ("fan curve", "quiet", ""),
            ("power limit", 180.0, "W"),
        ]
        assert told["rungs"][0]["note"] == "as is"

    def test_error_rates_are_printed_nominal_and_true(self, capsys):
        _tune(capsys, "new", "otter")
        text = _tune(capsys, "show", "otter")
        assert "A rung runs 30 min without a fault" in text
        assert "rejected, nominally 5 %" in text
        told = _json(capsys, "show", "otter")["sequential_plan"]
        assert told["true_risk_of_rejecting_good"] < 0.05
        assert told["true_risk_of_accepting_bad"] == pytest.approx(0.05, abs=0.01)

    def test_a_rung_can_be_put_below_the_first(self, capsys):
        _ladder(capsys, 50)
        _tune(capsys, "add", "otter", "multiplier=49:x", "--before", "1")
        assert [rung["rung"] for rung in _json(capsys, "show", "otter")["rungs"]] == [2, 1]

    def test_the_operator_can_rule_a_rung_out(self, capsys):
        _ladder(capsys, 50, 51)
        text = _tune(capsys, "bar", "otter", "2", "--reason", "does not start")
        assert "FAILED: ruled out by the operator, does not start" in text

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["add", "otter", "multiplier"], "expected KEY=VALUE"),
            (["add", "otter", "=5"], "expected KEY=VALUE"),
            (["add", "otter", "a=1", "a=2"], "found a key twice"),
            (["add", "otter", "a=1", "--before", "9"], "found no rung 9"),
            (["bar", "otter", "9", "--reason", "x"], "found no rung 9"),
            (["show", "heron"], "expected a tuning ladder"),
            (["show", "../etc"], "expected a name of letters"),
            (["new", "otter"], "is there already"),
            (["new", "x", "--bad-rate", "0.01"], "0 < --good-rate < --bad-rate"),
            (["new", "x", "--risk", "0.7"], "0 < --good-rate < --bad-rate"),
            (["new", "x", "--bad-rate", "0.1"], "expected at most 24 h"),
            (["new", "x", "--margin", "-1"], "a margin from 0 to 20"),
            (["run", "otter", "--yes"], "no rung is left to try"),
        ],
    )
    def test_bad_input_is_one_clear_error(self, capsys, words, told):
        _tune(capsys, "new", "otter")
        assert told in _error(capsys, *words)

    def test_a_frontier_is_shown(self, capsys, bench):
        bench({})
        _ladder(capsys, 50, 51)
        _run(capsys, 0)
        text = _run(capsys, 0)
        assert "What a rung gives and costs" in text
        assert "no proven rung is better in all" in text
        assert "Nothing failed on this ladder" in text
        assert "multiplier: 50 x, at least 1 x from failing" in text


class TestFile:
    @pytest.fixture
    def path(self, capsys, own_home):
        _ladder(capsys, 50)
        return own_home / "data" / "burnin" / "tuning" / "otter.jsonl"

    def test_it_is_only_appended_to(self, capsys, path):
        before = path.read_bytes()
        _tune(capsys, "add", "otter", "multiplier=51:x")
        _tune(capsys, "bar", "otter", "1", "--reason", "x")
        assert path.read_bytes().startswith(before)

    def test_a_torn_end_is_left_out_told_and_closed_off(self, capsys, path):
        whole = path.read_bytes()
        path.write_bytes(whole + b'{"kind":"rung","rung":{"number":2,"pl')
        assert "torn by a power cut" in _tune(capsys, "show", "otter")
        _tune(capsys, "add", "otter", "multiplier=51:x")
        told = _json(capsys, "show", "otter")
        assert [rung["rung"] for rung in told["rungs"]] == [1, 2]
        assert told["torn_line_left_out"]

    @pytest.mark.parametrize(
        ("content", "told"),
        [
            (b"", "line 1: found something else"),
            (b'{"kind":"barred","rung":1,"reason":"x"}\n', "line 1: found something else"),
            (b'{"kind":"ladder"}\n', "line 1: found Object missing required field"),
            (b'{"kind":"what"}\n', "line 1: found Invalid value 'what'"),
        ],
    )
    def test_something_else_is_refused(self, capsys, path, content, told):
        path.write_bytes(content)
        assert told in _error(capsys, "show", "otter")

    def test_a_place_that_cannot_be_written_is_one_clear_error(self, capsys, tmp_path):
        (tmp_path / "file").write_text("")
        assert "expected a file that can be appended to" in _error(
            capsys, "new", "x", "--folder", tmp_path / "file" / "y"
        )
        _tune(capsys, "new", "x", "--folder", tmp_path / "z")
        file = tmp_path / "z" / "x.jsonl"
        content = file.read_bytes()
        file.unlink()
        file.mkdir()
        with pytest.raises(InputError, match="can be appended to"):
            ladder_file.append(file, ladder_file.RungBarred(rung=1, reason=""))
        assert content.endswith(b"}\n")

    def test_journals_of_other_runs_are_no_attempts(self, capsys, bench, tmp_path):
        bench({})
        (tmp_path / "runs" / "broken").mkdir(parents=True)
        (tmp_path / "runs" / "broken" / "journal.jsonl").write_text("no journal\n")
        invented_runs.write_journal(invented_runs.builder(1), tmp_path / "runs" / "other")
        _ladder(capsys, 50)
        _run(capsys, 0)
        assert len(_json(capsys, "show", "otter")["trials"]) == 1


def test_a_ready_run_writes_its_certificate_and_says_why_it_ended(monkeypatch, tmp_path, capsys):
    from burnin.engine.conduct import Conducted

    conducted = Conducted(folder=tmp_path, reason="complete", whole=True)
    concluded = []
    monkeypatch.setattr(tune_run, "run_watched", lambda *_: conducted)
    monkeypatch.setattr(tune_run, "conclude", concluded.append)
    assert tune_run.run_ready((None, None)) == "complete"
    assert concluded == [conducted]
    assert str(tmp_path) in capsys.readouterr().out


def test_a_plan_that_cannot_be_stretched_is_refused_with_all_its_problems(monkeypatch, tmp_path):
    import argparse

    options = argparse.Namespace(plan=None, workshop=None, yes=True, out=str(tmp_path))
    with pytest.raises(InputError, match="duration_s"):
        tune_run.make_ready(options, "note", lambda plan: screening_plan(plan, -5.0))


@pytest.mark.processes
def test_a_real_rung_on_this_machine(capsys, tmp_path):
    """The whole way once, on real loads: a minute's need is cut to seconds by rates nobody would choose."""
    plan = tmp_path / "short.toml"
    plan.write_text(
        'format = 1\ntitle = "Short"\n[[stages]]\nname = "products"\nkind = "soak"\nduration_s = 2\n'
        '[[stages.loads]]\nload = "matrix"\nparams = { n = 128 }\n'
    )
    _tune(capsys, "new", "real", "--good-rate", "20", "--bad-rate", "2000", "--folder", tmp_path)
    _tune(capsys, "add", "real", "multiplier=as found", "--folder", tmp_path)
    import burnin.cli.tune as module

    module_shortest = module._SHORTEST_S
    module_start = module._START_S
    try:
        module._SHORTEST_S, module._START_S = 7.0, 2.0
        code = main(
            [
                "tune",
                "run",
                "real",
                "--yes",
                "--plan",
                str(plan),
                "--out",
                str(tmp_path / "runs"),
                "--folder",
                str(tmp_path),
            ]
        )
    finally:
        module._SHORTEST_S, module._START_S = module_shortest, module_start
    assert code == 0
    told = _json(capsys, "show", "real", "--folder", tmp_path)
    assert told["rungs"][0]["standing"] == "proven"
    assert told["trials"][0]["run_id"]
