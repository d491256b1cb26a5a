from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs

from burnin.cli.main import main
from burnin.cli.named_run import find_run, hash_at, runs_under
from burnin.errors import InputError
from burnin.journal.bundle import make_bundle


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Machine 1, four times unchanged, once 6 K cooler, once with a wrong result; machines 20 to 22 twice each."""
    out = tmp_path_factory.mktemp("bench")

    def write(number, name, **how):
        return invented_runs.write_journal(invented_runs.builder(number, **how), out / name).parent

    for number in (1, 4, 5, 6):
        write(number, f"same-{number}", machine=1)
    write(7, "cooler", machine=1, extra_c=-6.0, retest_of="2026-000001-bench", note="new paste")
    write(14, "wrong", machine=1)
    for number, machine in enumerate((20, 20, 21, 21, 22, 22), start=30):
        write(number, f"sister-{number}", machine=machine)
    short = invented_runs.builder(8, machine=1, sweeps=20)
    invented_runs.write_journal(short, out / "short")
    return out


@pytest.fixture(autouse=True)
def _no_ledger_of_mine(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("BURNIN_LEDGER", raising=False)


def _compare(capsys, *words, code):
    assert main(["compare", "--json", *map(str, words)]) == code
    return json.loads(capsys.readouterr().out)


def _answers(found):
    return {(figure["name"], figure["unit"]): figure["answer"] for figure in found["figures"]}


SAME = ("same-4", "same-5", "same-6")


class TestExitCodes:
    def test_1_when_they_differ(self, capsys, bench):
        words = [bench / "same-1", bench / "cooler", "--repeatability", *(bench / name for name in SAME)]
        found = _compare(capsys, *words, code=1)
        assert found["overall"] == "differs"
        assert _answers(found)["hwmon/cpu", "K"] == "better"
        assert found["summary"][0] == "Re-tested after: new paste."
        assert found["baseline_runs"] == 4

    def test_0_when_no_difference_is_shown(self, capsys, bench):
        words = [bench / "same-1", bench / "same-4", "--repeatability", bench / "same-5", bench / "same-6"]
        found = _compare(capsys, *words, code=0)
        assert set(_answers(found).values()) == {"no_difference_shown"}

    def test_3_when_nothing_says_how_far_runs_of_an_unchanged_machine_lie_apart(self, capsys, bench):
        found = _compare(capsys, bench / "same-1", bench / "cooler", code=3)
        assert {figure["reason"] for figure in found["figures"]} == {"no-repeatability"}

    def test_a_judgement_that_turned_is_a_difference_though_no_figure_is(self, capsys, bench):
        found = _compare(capsys, bench / "same-1", bench / "wrong", code=1)
        turned = {(one["criterion"], one["before"], one["after"]) for one in found["outcomes"]}
        assert ("no_wrong_result", None, "fail") in turned

    def test_one_of_the_two_too_short_says_nothing(self, capsys, bench):
        words = [bench / "same-1", bench / "short", "--repeatability", *(bench / name for name in SAME)]
        found = _compare(capsys, *words, code=3)
        assert {figure["reason"] for figure in found["figures"]} == {"too-few-readings"}


class TestRecords:
    def test_repeated_runs_of_the_family_stand_in(self, capsys, bench):
        sisters = [str(bench / f"sister-{number}") for number in range(30, 36)]
        assert main(["ledger", "import", *sisters]) == 0
        capsys.readouterr()
        found = _compare(capsys, bench / "same-1", bench / "cooler", code=1)
        temperature = next(
            one for one in found["figures"] if (one["name"], one["unit"]) == ("hwmon/cpu", "K")
        )
        assert (temperature["answer"], temperature["spread_from"], temperature["spread_df"]) == (
            "better",
            "records",
            3.0,
        )

    def test_the_compared_run_itself_is_no_record(self, capsys, bench):
        """Machine 1 has two runs on record, one of them the second run: that leaves no repeat."""
        assert (
            main(["ledger", "import", str(bench / "same-1"), str(bench / "same-4"), str(bench / "same-5")])
            == 0
        )
        capsys.readouterr()
        found = _compare(capsys, bench / "same-1", bench / "same-5", code=3)
        assert {figure["reason"] for figure in found["figures"]} == {"no-repeatability"}

    def test_a_run_named_twice_counts_once(self, capsys, bench):
        words = [
            bench / "same-1",
            bench / "cooler",
            "--repeatability",
            bench / "same-1",
            bench / "same-4",
            bench / "same-4",
        ]
        assert _compare(capsys, *words, code=3)["baseline_runs"] == 2

    def test_the_second_run_cannot_be_its_own_baseline(self, capsys, bench):
        words = ["compare", bench / "same-1", bench / "same-4", "--repeatability", bench / "same-4"]
        assert main(list(map(str, words))) == 2
        assert "found the second run itself" in capsys.readouterr().err


class TestText:
    def test_lines_and_page(self, capsys, bench, tmp_path):
        page = tmp_path / "comparison.html"
        words = [
            "compare",
            bench / "same-1",
            bench / "cooler",
            "--page",
            page,
            "--repeatability",
            *(bench / name for name in SAME),
        ]
        assert main(list(map(str, words))) == 1
        lines = capsys.readouterr().out.splitlines()
        assert lines[0] == "The runs differ"
        assert lines[-1] == str(page)
        assert main(list(map(str, words[:3]))) == 3
        assert "Not comparable in full" in capsys.readouterr().out
        assert b"Comparison of two runs" in page.read_bytes()


class TestNaming:
    def test_folder_journal_bundle_and_id_are_the_same_run(self, capsys, bench, tmp_path):
        journal = bench / "same-4" / "journal.jsonl"
        bundle = tmp_path / "run.bundle"
        bundle.write_bytes(make_bundle({"journal.jsonl": journal.read_bytes(), "seal.json": b"{}"}))
        assert main(["ledger", "import", str(bench / "same-4")]) == 0
        capsys.readouterr()
        results = [
            _compare(capsys, bench / "same-1", name, code=3)["figures"]
            for name in (bench / "same-4", journal, bundle, "2026-000004-bench", "2026-000004")
        ]
        assert all(result == results[0] for result in results)

    def test_what_is_no_run_is_one_clear_error(self, bench, capsys, tmp_path):
        with pytest.raises(InputError, match="no ledger to look it up in"):
            find_run("2026-000004")
        assert main(["ledger", "import", str(bench / "same-4"), str(bench / "same-5")]) == 0
        with pytest.raises(InputError, match="no run on record"):
            find_run("1999")
        with pytest.raises(InputError, match=r"2 runs \(2026-000004-bench, 2026-000005-bench"):
            find_run("2026-00000")

    def test_a_run_whose_journal_is_gone_says_where_it_was(self, bench, capsys, tmp_path):
        invented_runs.write_journal(invented_runs.builder(9), tmp_path / "gone")
        assert main(["ledger", "import", str(tmp_path / "gone")]) == 0
        (tmp_path / "gone" / "journal.jsonl").unlink()
        (tmp_path / "gone").rmdir()
        with pytest.raises(InputError, match=r"its journal was not found at .*gone"):
            find_run("2026-000009")

    def test_a_run_of_a_forgotten_customer_has_no_place(self, capsys, tmp_path):
        invented_runs.write_journal(invented_runs.builder(0), tmp_path / "r")
        assert main(["ledger", "import", str(tmp_path / "r")]) == 0
        assert main(["ledger", "forget", "Ö. Brandt", "--yes"]) == 0
        with pytest.raises(InputError, match="its customer's data were erased"):
            find_run("2026-000000")

    def test_runs_are_found_at_any_depth_in_order(self, tmp_path):
        for name in ("b/2", "a", "b/1", "c/x/y"):
            (tmp_path / name).mkdir(parents=True)
            (tmp_path / name / "journal.jsonl").touch()
        found = [str(path.relative_to(tmp_path)) for path in runs_under(tmp_path)]
        assert found == ["a", "b/1", "b/2", "c/x/y"]

    def test_the_hash_after_so_many_lines(self, bench):
        from burnin.journal.reader import read_run

        lines = read_run(bench / "same-4").integrity
        assert hash_at(bench / "same-4", lines.lines) == lines.head_sha256
        assert hash_at(bench / "same-4", lines.lines + 1) == ""
