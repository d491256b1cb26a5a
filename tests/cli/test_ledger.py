from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs

from burnin.cli import ledger_import
from burnin.cli.ledger_place import data_folder, ledger_url
from burnin.cli.main import main
from burnin.journal.bundle import make_bundle
from burnin.records.events import RunClosed


@pytest.fixture(autouse=True)
def _own_data(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("BURNIN_LEDGER", raising=False)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.setenv(name, "1")  # as the command would, and taken back afterwards


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Twelve runs in folders: number 3 has a wrong result; machine 1 was run three times."""
    out = tmp_path_factory.mktemp("bench")
    for number in range(12):
        machine = 1 if number in {1, 5, 6} else number
        run = invented_runs.builder(number, machine=machine, note="pump swapped" if number == 7 else "")
        invented_runs.write_journal(run, out / f"run-{number:02d}")
    return out


def _said(capsys, *words, code=0):
    assert main(["ledger", *map(str, words)]) == code
    return capsys.readouterr().out


def _json(capsys, *words, code=0):
    return json.loads(_said(capsys, *words, "--json", code=code))


def _error(capsys, *words):
    assert main(["ledger", *map(str, words)]) == 2
    return capsys.readouterr().err


class TestPlace:
    def test_option_then_environment_then_the_users_data_folder(self, tmp_path, monkeypatch):
        assert ledger_url(None) == str(tmp_path / "data" / "burnin" / "ledger.sqlite3")
        monkeypatch.setenv("BURNIN_LEDGER", "elsewhere")
        assert ledger_url(None) == "elsewhere"
        assert ledger_url("here") == "here"
        monkeypatch.delenv("XDG_DATA_HOME")
        assert data_folder() == Path.home() / ".local" / "share" / "burnin"


class TestImport:
    def test_every_run_once(self, capsys, bench):
        first = _json(capsys, "import", bench)
        assert first["counts"] == {"new": 12}
        again = _json(capsys, "import", bench, bench / "run-03", bench / "run-03" / "journal.jsonl")
        assert again["counts"] == {"known": 13}  # a folder and its journal are two places
        assert len(_json(capsys, "list")["runs"]) == 12
        assert "12 runs found: 12 on record already" in _said(capsys, "import", bench)

    def test_standing_is_what_the_rules_give(self, capsys, bench):
        _said(capsys, "import", bench)
        runs = {run["run_id"]: run for run in _json(capsys, "list")["runs"]}
        assert runs["2026-000003-bench"]["standing"] == "rejected"
        assert runs["2026-000003-bench"]["wrong_results"] == 1
        assert runs["2026-000004-bench"]["standing"] == "inconclusive"

    def test_bundles_are_runs_too(self, capsys, bench, tmp_path):
        bundle = tmp_path / "run.bundle"
        journal = (bench / "run-04" / "journal.jsonl").read_bytes()
        bundle.write_bytes(make_bundle({"journal.jsonl": journal, "seal.json": b"{}"}))
        assert _json(capsys, "import", bundle)["counts"] == {"new": 1}
        assert _json(capsys, "import", bench / "run-04")["counts"] == {"known": 1}
        assert ledger_import.hash_at(bundle, 3) == ledger_import.hash_at(bench / "run-04", 3) != ""

    def test_a_run_that_is_not_closed_waits(self, capsys, tmp_path):
        run = invented_runs.builder(1)
        run.lines.pop()
        invented_runs.write_journal(run, tmp_path / "open")
        assert "left out: not closed" in _said(capsys, "import", tmp_path / "open")

    def test_a_journal_that_has_grown_replaces_its_shorter_self(self, capsys, tmp_path):
        run = invented_runs.builder(1)
        invented_runs.write_journal(run, tmp_path / "run")
        _said(capsys, "import", tmp_path / "run")
        invented_runs.write_journal(run.add(RunClosed(reason="complete")), tmp_path / "run")
        assert "recorded anew" in _said(capsys, "import", tmp_path / "run")
        run.lines.pop()
        invented_runs.write_journal(run, tmp_path / "older")
        assert "what is on record is longer" in _said(capsys, "import", tmp_path / "older")

    def test_another_journal_under_the_same_id_is_refused_and_the_rest_recorded(self, capsys, tmp_path):
        invented_runs.write_journal(invented_runs.builder(1), tmp_path / "a")
        invented_runs.write_journal(invented_runs.builder(1, noise=7, sweeps=130), tmp_path / "b")
        invented_runs.write_journal(invented_runs.builder(2), tmp_path / "c")
        (tmp_path / "d").mkdir()
        (tmp_path / "d" / "journal.jsonl").write_text("not a journal\n")
        done = _json(capsys, "import", tmp_path, code=2)
        assert [run["done"] for run in done["runs"]] == ["new", "other", "new", "trouble"]
        assert "found" in done["runs"][3]["detail"]
        text = _said(capsys, "import", tmp_path, code=2)
        assert "REFUSED: another journal is on record under this id" in text

    def test_a_folder_that_is_not_there_is_one_clear_error(self, capsys, tmp_path):
        assert "nowhere: found no such file or folder" in _error(capsys, "import", tmp_path / "nowhere")

    def test_a_broken_ledger_is_not_taken_for_a_broken_run(self, capsys, bench, monkeypatch):
        from burnin.errors import BurninError

        def broken(*_):
            raise BurninError("the ledger could not be written", slug="ledger-trouble")

        monkeypatch.setattr("burnin.ledger.store.Ledger.add", broken)
        assert "could not be written" in _error(capsys, "import", bench)

    def test_postgres_or_nothing_of_that_kind(self, capsys, bench):
        assert "found no database this program knows" in _error(capsys, "import", bench, "--url", "mongo://x")


@pytest.mark.processes
def test_many_runs_are_judged_by_several_processes_with_the_same_result(capsys, bench, tmp_path, monkeypatch):
    _said(capsys, "import", bench)
    before = _said(capsys, "export")
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "journal.jsonl").write_text("no journal\n")
    monkeypatch.setattr(ledger_import, "_WORTH_WORKERS", 2)
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    url = ["--url", str(tmp_path / "second")]
    done = _json(capsys, "import", bench, tmp_path / "bad", *url, code=2)
    assert done["counts"] == {"new": 12, "trouble": 1}
    assert _said(capsys, "export", *url) == before


def test_what_travels_between_processes_arrives_as_it_was(bench, tmp_path):
    for path in (bench / "run-03", tmp_path / "nowhere"):
        read = ledger_import.read_and_judge(path)
        assert ledger_import._unpacked(ledger_import._judged_bytes(str(path))) == read


class TestList:
    @pytest.fixture(autouse=True)
    def _filled(self, bench, capsys):
        _said(capsys, "import", bench)

    def test_newest_first_in_columns(self, capsys):
        lines = _said(capsys, "list", "--most", "2").splitlines()
        assert lines[0].split() == ["began", "run", "verdict", "wrong", "order", "customer", "serial", "plan"]
        assert "2026-000011-bench" in lines[1]
        assert "2026-000010-bench" in lines[2]
        assert lines[3].startswith("The newest 2 are shown")

    @pytest.mark.parametrize(
        ("words", "numbers"),
        [
            (["brandt"], [10, 0]),
            (["--customer", "C-1187"], [7, 2]),
            (["--order-number", "A-1004"], [4]),
            (["--serial", "SM-00009"], [9]),
            (["--verdict", "rejected"], [3]),
            (["--part", "saltmarsh", "--most", "1"], [11]),
            (["pump", "swap"], [7]),
        ],
    )
    def test_by_what_people_ask_for(self, capsys, words, numbers):
        runs = _json(capsys, "list", *words)["runs"]
        assert [int(run["run_id"][5:11]) for run in runs] == numbers

    def test_text_from_people_cannot_command_the_terminal(self, capsys, tmp_path):
        order = invented_runs.order(1)
        from msgspec.structs import replace

        run = invented_runs.builder(20, order=replace(order, customer="x\u202ey\x1b[31m"))
        invented_runs.write_journal(run, tmp_path / "r")
        _said(capsys, "import", tmp_path / "r")
        text = _said(capsys, "list")
        assert "\x1b" not in text
        assert "\u202e" not in text

    def test_a_negative_number_is_refused(self, capsys):
        assert "--most -1: expected 0 or more" in _error(capsys, "list", "--most", "-1")

    def test_without_an_index_the_search_says_how_it_worked(self, capsys, monkeypatch, bench, tmp_path):
        monkeypatch.setattr("burnin.ledger.migrate.has_fts5", lambda: False)
        url = ["--url", str(tmp_path / "plain")]
        _said(capsys, "import", bench, *url)
        assert "Note: this SQLite has no full-text index" in _said(capsys, "list", "brandt", *url)

    def test_rehearsals_and_first_looks_are_marked(self, capsys, tmp_path):
        run = invented_runs.builder(21, rehearsal=True)
        invented_runs.write_journal(run, tmp_path / "r")
        _said(capsys, "import", tmp_path / "r")
        assert "(rehearsal)" in _said(capsys, "list", "--most", "1")


class TestShow:
    @pytest.fixture(autouse=True)
    def _filled(self, bench, capsys):
        _said(capsys, "import", bench)

    def test_everything_on_record(self, capsys):
        text = _said(capsys, "show", "2026-000003-bench")
        for piece in (
            "wrong results: 1",
            "customer: Miller & Nobody",
            "Saltmarsh SM-1, serial SM-00003",
            "Fjord loop 240 (as ordered)",
        ):
            assert piece in text
        assert "kelvin per watt of the package 0.2" in text
        assert "no_wrong_result: fail" in text
        found = _json(capsys, "show", "2026-000003")
        assert found["run"]["run_id"] == "2026-000003-bench"
        assert {"parts", "figures", "findings"} <= set(found)

    def test_none_or_several_are_refused(self, capsys):
        assert "found no run" in _error(capsys, "show", "1999")
        assert "found 12 runs" in _error(capsys, "show", "2026-0")


class TestExport:
    def test_one_object_a_line(self, capsys, bench, tmp_path):
        _said(capsys, "import", bench)
        lines = _said(capsys, "export").splitlines()
        assert len(lines) == 12
        assert json.loads(lines[3])["run"]["order_no"] == "A-1003"
        file = tmp_path / "all.jsonl"
        assert f"12 runs written to {file}" in _said(capsys, "export", "--out", file)
        assert file.read_text(encoding="utf-8").splitlines() == lines
        assert _json(capsys, "export", "--out", file) == {"written": 12, "file": str(file)}

    def test_a_place_that_cannot_be_written_is_one_clear_error(self, capsys, bench, tmp_path):
        assert "expected a place that can be written to" in _error(
            capsys, "export", "--out", tmp_path / "no" / "x"
        )


class TestForget:
    @pytest.fixture(autouse=True)
    def _filled(self, bench, capsys):
        _said(capsys, "import", bench)

    def test_nothing_is_erased_without_a_yes(self, capsys):
        assert "would erase 'Ö. Brandt' from 2 runs" in _error(capsys, "forget", "Ö. Brandt")
        assert len(_json(capsys, "list", "brandt")["runs"]) == 2

    def test_data_go_from_the_ledger_and_the_journals_stay_whole(self, capsys, bench):
        before = {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()}
        done = _json(capsys, "forget", "o brandt", "--yes")
        assert done["erased"] == ["2026-000000-bench", "2026-000010-bench"]
        assert done["journals_that_still_hold_the_data"] == [str(bench / "run-00"), str(bench / "run-10")]
        assert {path: path.read_bytes() for path in bench.rglob("*") if path.is_file()} == before
        assert main(["verify", str(bench / "run-00")]) == 0
        capsys.readouterr()
        assert "(erased)" in _said(capsys, "list")
        assert "customer: erased" in _said(capsys, "show", "2026-000000-bench")

    def test_neither_import_nor_rebuild_brings_them_back(self, capsys, bench):
        _said(capsys, "forget", "Ö. Brandt", "--yes")
        before = _said(capsys, "export")
        assert _json(capsys, "import", bench)["counts"] == {"known": 12}
        _said(capsys, "rebuild", bench)
        assert _said(capsys, "export") == before
        assert "Brandt" not in before

    def test_people_are_told_where_the_data_still_are(self, capsys, bench):
        text = _said(capsys, "forget", "Ö. Brandt", "--yes")
        assert "erased from 2 runs" in text
        assert str(bench / "run-10") in text
        assert "These journals" not in _said(capsys, "forget", "nobody at all", "--yes")

    @pytest.mark.parametrize("days", ["-1", "nan", "1e9"])
    def test_days_that_are_none_are_refused(self, capsys, days):
        assert "expected days from 0 to 36500" in _error(capsys, "forget", "--older-than", days, "--yes")

    def test_everybody_after_a_time(self, capsys):
        assert "every customer's data from old runs" in _error(capsys, "forget", "--older-than", "30")
        days = (_now_ns() - invented_runs.START_WALL_NS) / invented_runs.DAY_NS - 5.5
        done = _json(capsys, "forget", "--older-than", str(days), "--yes")
        assert len(done["erased"]) == 6
        assert [run["erased"] for run in _json(capsys, "list")["runs"]] == [False] * 6 + [True] * 6


def _now_ns():
    from burnin.host.clock import RealClock

    return RealClock().wall_ns()


class TestRebuild:
    def test_from_the_journals_where_they_were(self, capsys, bench):
        _said(capsys, "import", bench)
        before = _said(capsys, "export")
        text = _said(capsys, "rebuild")
        assert "12 runs worked out anew" in text
        assert _said(capsys, "export") == before

    def test_an_empty_ledger_from_a_folder(self, capsys, bench):
        _said(capsys, "import", bench)
        before = _said(capsys, "export")
        Path(ledger_url(None)).unlink()
        assert _json(capsys, "rebuild", bench)["rebuilt"] == 12
        assert _said(capsys, "export") == before

    def test_lost_and_damaged_journals_keep_their_rows(self, capsys, tmp_path):
        for number in (1, 2, 3):
            invented_runs.write_journal(invented_runs.builder(number), tmp_path / f"{number}")
        _said(capsys, "import", tmp_path)
        before = _said(capsys, "export")
        (tmp_path / "1" / "journal.jsonl").unlink()
        (tmp_path / "1").rmdir()
        (tmp_path / "2" / "journal.jsonl").write_text("gone\n")
        open_run = invented_runs.builder(4)
        open_run.lines.pop()
        invented_runs.write_journal(open_run, tmp_path / "4")
        result = _json(capsys, "rebuild", tmp_path / "4", code=2)
        assert result["rebuilt"] == 1
        assert result["kept"] == ["2026-000001-bench", "2026-000002-bench"]
        assert len(result["trouble"]) == 1
        text = _said(capsys, "rebuild", code=2)
        assert "REFUSED: " in text
        assert "2 runs kept as they were" in text
        assert _said(capsys, "export") == before

    def test_of_two_copies_of_a_run_the_longer_counts(self, capsys, tmp_path):
        run = invented_runs.builder(1)
        invented_runs.write_journal(run, tmp_path / "a")
        invented_runs.write_journal(run.add(RunClosed(reason="complete")), tmp_path / "b")
        run.lines.pop()
        invented_runs.write_journal(run, tmp_path / "c")
        _said(capsys, "rebuild", tmp_path)
        assert _json(capsys, "show", "2026-000001")["run"]["folder"] == str(tmp_path / "b")


class TestTrend:
    @pytest.fixture
    def family(self, capsys, tmp_path):
        """Twelve sisters, the last two 6 K hotter; returns a function that imports one more."""
        for number in range(30, 42):
            extra = 6.0 if number >= 40 else 0.0
            invented_runs.write_journal(invented_runs.builder(number, extra_c=extra), tmp_path / f"{number}")
        _said(capsys, "import", tmp_path)

        def one_more(number, **how):
            invented_runs.write_journal(invented_runs.builder(number, **how), tmp_path / f"{number}")
            _said(capsys, "import", tmp_path / f"{number}")
            return f"2026-{number:06d}-bench"

        return one_more

    def test_figures_on_record_are_listed(self, capsys, family):
        assert "kelvin_per_package_watt" in _said(capsys, "trend")
        names = {(one["name"], one["unit"], one["runs"]) for one in _json(capsys, "trend")["figures"]}
        assert ("hwmon/cpu", "K", 12) in names

    def test_a_drift_is_flagged(self, capsys, family):
        found = _json(capsys, "trend", "kelvin_per_package_watt", code=1)
        assert found["drifting"][0] in {"2026-000040-bench", "2026-000041-bench"}
        assert len(found["builds"]) == 12
        text = _said(capsys, "trend", "kelvin_per_package_watt", code=1)
        assert "DRIFT: the weighted mean is beyond its limits from run 2026-00004" in text
        assert "outside the limits of single builds" in text

    def test_a_hot_build_is_placed_far_above_its_sisters(self, capsys, family):
        run = family(50, extra_c=9.0)
        found = _json(capsys, "trend", "kelvin_per_package_watt", "--like", run, code=1)
        assert found["placed"]["answer"] == "far_above"
        assert found["placed"]["sisters"] == 12
        assert found["same_board_only"]
        text = _said(capsys, "trend", "kelvin_per_package_watt", "--like", run, code=1)
        assert "FAR OFF: " in text
        assert "above the mean of its 12 sisters" in text
        assert "Check how the cooler sits" in text
        assert "same board and firmware" in text

    def test_a_usual_build_is_among_them(self, capsys, family):
        run = family(51)
        text = _said(capsys, "trend", "hwmon/cpu", "--unit", "K", "--like", run)
        assert "Among its sisters: " in text
        assert "Check how" not in text

    def test_few_builds_say_so(self, capsys, tmp_path):
        for number in range(7):
            invented_runs.write_journal(invented_runs.builder(number), tmp_path / f"{number}")
        _said(capsys, "import", tmp_path)
        text = _said(capsys, "trend", "kelvin_per_package_watt", "--like", "2026-000006", code=3)
        assert "No limits: too few builds (6, it takes 8)." in text
        assert "Not placed among its sisters: too few builds (6, it takes 8)." in text
        assert "No limits" in _said(capsys, "trend", "kelvin_per_package_watt")
        assert _json(capsys, "trend", "kelvin_per_package_watt")["singles"] == {"reason": "too-few-builds"}
        invented_runs.write_journal(invented_runs.builder(7), tmp_path / "7")
        _said(capsys, "import", tmp_path)
        assert "No chart of the weighted mean: too few builds (8, it takes 9)." in _said(
            capsys, "trend", "kelvin_per_package_watt"
        )

    def test_a_machine_without_a_family_is_not_placed(self, capsys, family):
        from msgspec.structs import replace

        order = replace(invented_runs.order(52), parts=())
        run = family(52, order=order)
        text = _said(capsys, "trend", "kelvin_per_package_watt", "--like", run, code=3)
        assert "its family is not known" in text

    def test_a_run_without_the_figure_is_not_placed(self, capsys, family):
        run = family(53, sweeps=20)
        assert "does not have the figure" in _said(
            capsys, "trend", "kelvin_per_package_watt", "--like", run, code=3
        )

    def test_figures_that_are_not_clear_are_refused(self, capsys, family):
        assert "found 'hwmon/cpu' of stage 'all together' in K, 'hwmon/cpu'" in _error(
            capsys, "trend", "hwmon/cpu"
        )
        assert "found none" in _error(capsys, "trend", "nothing")
        assert "found 0 runs" in _error(capsys, "trend", "hwmon/cpu", "--unit", "K", "--like", "nobody")

    def test_an_even_family_has_limits_and_no_flag(self, capsys, tmp_path):
        for number in range(60, 72):
            invented_runs.write_journal(invented_runs.builder(number), tmp_path / f"{number}")
        _said(capsys, "import", tmp_path)
        text = _said(capsys, "trend", "CPU package", "--unit", "K")
        assert "stays within its limits" in text
        assert "Centre 4" in text


@pytest.mark.processes
def test_a_list_does_not_wait_for_the_numeric_library(tmp_path):
    code = (
        "import sys; from burnin.cli.main import main; assert main(['ledger', 'list']) == 0; "
        "print(sorted({'numpy', 'rich', 'jinja2', 'psutil', 'psycopg'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "XDG_DATA_HOME": str(tmp_path)},
    )
    assert done.stdout.splitlines()[-1] == "[]"
