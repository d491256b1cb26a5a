from __future__ import annotations

import invented_runs
import pytest
from msgspec.structs import replace

from burnin.ledger import sqlite
from burnin.ledger.queries import (
    Wanted,
    figure_names,
    list_runs,
    one_per_machine,
    read_entry,
    repeats,
    run_ids_beginning,
    same_machine,
    series,
)
from burnin.ledger.sqlite import SqliteDatabase
from burnin.ledger.store import Ledger
from burnin.ledger.words import search_text, words_of


@pytest.fixture(params=["indexed", "plain"])
def filled(request, tmp_path, entries, monkeypatch):
    """A ledger with twelve runs, with and without full-text search in SQLite."""
    if request.param == "plain":
        monkeypatch.setattr("burnin.ledger.migrate.has_fts5", lambda: False)
    ledger = Ledger(SqliteDatabase(tmp_path / "l"))
    assert ledger.database.full_text == (request.param == "indexed")
    assert ("FTS5" in ledger.database.search_note) == (request.param == "plain")
    for entry in entries:
        ledger.add(entry)
    yield ledger
    ledger.close()


def _numbers(ledger, **wanted):
    return [int(run.run_id[5:11]) for run in list_runs(ledger.database, Wanted(**wanted))]


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        ({}, list(range(11, -1, -1))),
        ({"most": 3}, [11, 10, 9]),
        ({"order_no": "A-1004"}, [4]),
        ({"customer": "C-1187"}, [7, 2]),
        ({"standing": "rejected"}, [3]),
        ({"serial": "SN-00006"}, [6]),
        ({"serial": "SM-00006"}, [6]),
        ({"serial": "BB-00007"}, [7]),
        ({"part": "saltmarsh", "most": 2}, [11, 10]),
        ({"part": "brandt"}, []),
        ({"words": "bran"}, [10, 5, 0]),
        ({"words": "ÖLEUM"}, []),
        ({"words": "Ö brandt"}, [10, 5, 0]),
        ({"words": "quill 1006"}, [6]),
        ({"words": "feather"}, []),
        ({"words": "fjord", "standing": "rejected"}, [3]),
        ({"words": "--"}, []),
        ({"words": 'x" OR "y'}, []),
        ({"words": "% _"}, []),
    ],
)
def test_runs_are_found(filled, wanted, numbers):
    assert _numbers(filled, **wanted) == numbers


def test_words_lose_case_and_accents_only():
    assert words_of("Ärger-straße 12_b") == ("arger", "strasse", "12", "b")
    assert search_text(["a b", "B c"]) == "a b c"


def test_ids_are_found_by_their_beginning(filled):
    assert run_ids_beginning(filled.database, "2026-00001") == ("2026-000010-bench", "2026-000011-bench")
    assert run_ids_beginning(filled.database, "2026-00_") == ()


def test_an_unknown_run_is_none(filled):
    assert read_entry(filled.database, "nobody") is None


def test_figures_are_listed_with_how_many_runs_have_them(filled):
    names = figure_names(filled.database)
    assert ("all together", "hwmon/cpu", "CPU package", "K", 12) in names
    assert ("all together", "hwmon/cpu", "CPU package", "degC", 12) in names


class TestSeries:
    def test_in_order_of_time(self, ledger, entries):
        for entry in reversed(entries):
            ledger.add(entry)
        points = series(ledger.database, "hwmon/cpu", stage="all together", unit="K")
        assert [point.run_id for point in points] == [entry.run.run_id for entry in entries]
        assert len(series(ledger.database, "hwmon/cpu", stage="all together")) == 24

    def test_family_and_board(self, ledger, entries):
        for entry in entries[:6]:
            ledger.add(entry)
        other = replace(entries[6], run=replace(entries[6].run, board="other"))
        stranger = replace(entries[7], run=replace(entries[7].run, cooler="Tarn loop"))
        rehearsed = replace(entries[8], run=replace(entries[8].run, rehearsal=True))
        for entry in (other, stranger, rehearsed):
            ledger.add(entry)
        like = entries[0].run
        ask = {"stage": "all together", "unit": "K/W", "like": like}
        assert len(series(ledger.database, "kelvin_per_package_watt", **ask)) == 7
        assert len(series(ledger.database, "kelvin_per_package_watt", **ask, same_board=True)) == 6

    def test_a_build_counts_once_and_as_first_tested(self, ledger):
        first = invented_runs.entry(1)
        again = invented_runs.entry(2, machine=1)
        retest = invented_runs.entry(3, machine=4, retest_of="x", note="new paste")
        nameless = [
            replace(
                invented_runs.entry(n), run=replace(invented_runs.entry(n).run, serial="", machine_sha256="")
            )
            for n in (5, 6)
        ]
        for entry in (first, again, retest, *nameless):
            ledger.add(entry)
        points = series(ledger.database, "hwmon/cpu", stage="all together", unit="K")
        assert len(points) == 5
        assert [point.run_id[5:11] for point in one_per_machine(points)] == ["000001", "000005", "000006"]


class TestRepeats:
    def test_runs_of_one_unchanged_machine(self, ledger):
        runs = [invented_runs.entry(n, machine=1) for n in (1, 2, 3)]
        changed = invented_runs.entry(4, machine=1, retest_of="x", note="new paste")
        unchanged = invented_runs.entry(5, machine=1, retest_of="x")
        other = invented_runs.entry(6)
        for entry in (*runs, changed, unchanged, other):
            ledger.add(entry)
        found = [run.run_id[5:11] for run in same_machine(ledger.database, runs[0].run)]
        assert found == ["000002", "000003", "000005"]
        assert same_machine(ledger.database, replace(runs[0].run, machine_sha256="")) == ()

    def test_groups_of_the_whole_family(self, ledger):
        for number, machine in enumerate((1, 1, 2, 2, 2, 3)):
            ledger.add(invented_runs.entry(number, machine=machine))
        groups = repeats(ledger.database, invented_runs.entry(9).run)
        assert [len(group) for group in groups["all together", "hwmon/cpu", "K"]] == [2, 3]
        assert repeats(ledger.database, replace(invented_runs.entry(9).run, cooler="x")) == {}


def test_full_text_search_is_known_to_be_there_or_not():
    assert sqlite.has_fts5() is True
