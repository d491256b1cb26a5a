from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs
from msgspec.structs import replace

from burnin.cli import retest as module
from burnin.cli.main import main
from burnin.engine.conduct import Conducted
from burnin.journal.reader import read_run


@pytest.fixture
def first(tmp_path):
    """A run on record in a folder, with two more of the unchanged machine beside it."""
    for number in (1, 4, 5, 6):
        run = invented_runs.builder(number, machine=1, seed="2a")
        invented_runs.write_journal(run, tmp_path / f"run-{number}")
    return tmp_path / "run-1"


@pytest.fixture
def bench(monkeypatch):
    """Stands in for the machine: writes the journal of a run with the request's own words; returns the requests."""
    asked, seen = [], []

    def make(**how):
        def conduct(request, _equipment, *, metrics=None):
            seen.append(metrics)
            asked.append(request)
            number = 100 + len(asked)
            run = invented_runs.builder(
                number, machine=1, retest_of=request.retest_of, note=request.note, plan=request.plan, **how
            )
            folder = request.out / f"run-{number}"
            invented_runs.write_journal(run, folder)
            return Conducted(folder=folder, reason="complete", whole=True)

        monkeypatch.setattr(module, "run_watched", conduct)
        conduct.seen = seen
        return asked

    return make


def _call(capsys, *words, code):
    assert main(["retest", *map(str, words), "--yes"]) == code
    return capsys.readouterr()


def _baselines(first):
    return ["--repeatability", *(first.with_name(f"run-{number}") for number in (4, 5, 6))]


class TestRequest:
    def test_the_same_plan_with_the_same_seed_and_paperwork(self, capsys, first, bench, tmp_path):
        asked = bench()
        _call(capsys, first, "--out", tmp_path / "out", "--note", "new paste", code=3)
        (request,) = asked
        before = read_run(first).opened
        assert request.plan == replace(before.plan, seed=0x2A)
        assert request.plan_sha256 == before.plan_sha256
        assert (request.order, request.checklist, request.workshop) == (
            before.order,
            before.checklist,
            before.workshop,
        )
        assert (request.retest_of, request.note) == (before.run_id, "new paste")
        assert request.answers == ()

    def test_the_room_is_measured_anew(self, capsys, first, bench, tmp_path):
        asked = bench()
        words = [first, "--out", tmp_path / "out", "--reading", "room=23.5:degC:thermometer:0.5"]
        _call(capsys, *words, "--metrics", tmp_path / "m.prom", code=3)
        (reading,) = asked[0].readings
        assert (reading.name, reading.value, reading.uncertainty) == ("room", 23.5, 0.5)
        assert module.run_watched.seen == [tmp_path / "m.prom"]

    def test_a_rehearsal_is_refused(self, capsys, tmp_path, bench):
        asked = bench()
        invented_runs.write_journal(invented_runs.builder(1, rehearsal=True), tmp_path / "r")
        assert "found a rehearsal" in _call(capsys, tmp_path / "r", code=2).err
        assert asked == []

    def test_a_plan_this_version_cannot_run_is_refused(self, capsys, tmp_path, bench):
        asked = bench()
        plan = invented_runs.PLAN
        stage = replace(plan.stages[0], loads=(replace(plan.stages[0].loads[0], load="kettle"),))
        run = invented_runs.builder(1, plan=replace(plan, stages=(stage,)))
        invented_runs.write_journal(run, tmp_path / "r")
        err = _call(capsys, tmp_path / "r", code=2).err
        assert "plan of run 2026-000001-bench: stages[1].loads[1]" in err
        assert asked == []

    def test_nothing_runs_before_the_cautions_are_answered(self, capsys, first, bench):
        asked = bench()
        assert main(["retest", str(first)]) == 2
        assert "cautions" in capsys.readouterr().err
        assert asked == []


class TestOutcome:
    def test_a_change_that_shows(self, capsys, first, bench, tmp_path):
        bench(extra_c=-8.0)
        words = [first, "--out", tmp_path / "out", "--note", "new paste", *_baselines(first)]
        out = _call(capsys, *words, code=1).out.splitlines()
        assert "The runs differ" in out
        assert "  Re-tested after: new paste." in out
        folder = Path(out[-1])
        assert Path(out[-2]) == folder / "comparison.html"
        page = (folder / "comparison.html").read_text(encoding="utf-8")
        assert "2026-000101-bench" in page
        assert read_run(first).integrity.head_sha256 in page.replace("<wbr>", "")
        assert (folder / "certificate.html").is_file()

    def test_nothing_changed(self, capsys, first, bench, tmp_path):
        bench()
        out = _call(capsys, first, "--out", tmp_path / "out", *_baselines(first), code=0).out
        assert "No difference shown" in out
        assert "Re-tested without a stated change." in out

    def test_one_object_and_nothing_else(self, capsys, first, bench, tmp_path):
        bench(extra_c=-8.0)
        words = [first, "--out", tmp_path / "out", "--json", *_baselines(first)]
        told = json.loads(_call(capsys, *words, code=1).out)
        assert (told["overall"], told["exit_code"]) == ("differs", 1)
        assert told["run"]["run_id"] == "2026-000101-bench"
        assert told["page"] == str(Path(told["run"]["folder"]) / "comparison.html")
        page = tmp_path / "mine.html"
        told = json.loads(_call(capsys, *words, "--page", page, code=1).out)
        assert told["page"] == str(page)
        assert page.is_file()

    @pytest.mark.parametrize(
        ("run", "comparison", "code"),
        [(5, 0, 5), (1, 3, 1), (4, 1, 4), (0, 1, 1), (3, 0, 0), (3, 3, 3), (0, 0, 0)],
    )
    def test_the_worse_of_run_and_comparison_is_told(self, run, comparison, code):
        assert module._exit_code(run, comparison) == code


@pytest.mark.processes
def test_a_real_run_is_tested_again_and_compared(capsys, run_folder, tmp_path):
    """On this machine, with real loads: the same plan and seed, linked to the first run, and too short to compare."""
    words = [
        "retest",
        str(run_folder),
        "--yes",
        "--out",
        str(tmp_path),
        "--note",
        "nothing but time",
        "--json",
    ]
    assert main(words) == 3
    told = json.loads(capsys.readouterr().out)
    before, after = read_run(run_folder), read_run(Path(told["run"]["folder"]))
    assert after.opened.retest_of == before.opened.run_id
    assert after.opened.seed == before.opened.seed
    assert after.opened.plan.stages == before.opened.plan.stages
    assert told["overall"] == "not_comparable"
    assert {figure["answer"] for figure in told["figures"]} == {"not_comparable"}
    assert Path(told["page"]).is_file()
