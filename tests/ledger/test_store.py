from __future__ import annotations

import sqlite3

import invented_runs
import pytest
from msgspec.structs import replace

from burnin.ledger.database import open_database
from burnin.ledger.queries import Wanted, all_entries, list_runs, read_entry
from burnin.ledger.sqlite import SqliteDatabase
from burnin.ledger.store import Ledger

LATER = invented_runs.START_WALL_NS + 1000 * invented_runs.DAY_NS


def _ids(ledger, **wanted):
    return [run.run_id for run in list_runs(ledger.database, Wanted(**wanted))]


def _grown(entry, lines, head="f" * 64):
    return replace(
        entry, run=replace(entry.run, journal_lines=lines, journal_sha256=head, standing="rejected")
    )


class TestAdding:
    def test_what_goes_in_comes_out_again(self, ledger, entries):
        assert [ledger.add(entry) for entry in entries] == ["new"] * 12
        assert all_entries(ledger.database) == entries

    def test_a_run_is_recorded_once(self, ledger, entries):
        ledger.add(entries[0])
        assert ledger.add(entries[0]) == "known"
        assert all_entries(ledger.database) == (entries[0],)

    def test_a_longer_journal_of_the_same_run_replaces_the_shorter(self, ledger, entries):
        first = entries[0]
        ledger.add(first)
        grown = replace(_grown(first, first.run.journal_lines + 2), findings=first.findings[:1])
        asked = []
        hashes = lambda line: asked.append(line) or first.run.journal_sha256  # noqa: E731
        assert ledger.add(grown, hashes) == "newer"
        assert asked == [first.run.journal_lines]
        assert all_entries(ledger.database) == (grown,)
        assert ledger.add(first, hashes) == "older"
        assert all_entries(ledger.database) == (grown,)

    @pytest.mark.parametrize("hashes", [None, lambda _: "1" * 64])
    def test_another_journal_under_the_same_id_replaces_nothing(self, ledger, entries, hashes):
        ledger.add(entries[0])
        assert ledger.add(_grown(entries[0], 9999), hashes) == "other"
        assert all_entries(ledger.database) == (entries[0],)

    def test_nothing_is_recorded_half(self, ledger, entries, monkeypatch):
        def broken(sql, values):
            raise sqlite3.OperationalError("disk full")

        monkeypatch.setattr(ledger.database, "many", broken)
        with pytest.raises(sqlite3.OperationalError):
            ledger.add(entries[0])
        monkeypatch.undo()
        assert all_entries(ledger.database) == ()
        assert ledger.add(entries[0]) == "new"

    def test_a_closed_ledger_keeps_its_rows(self, tmp_path, entries):
        path = str(tmp_path / "deep" / "ledger.sqlite3")
        ledger = Ledger(open_database(path))
        ledger.add(entries[0])
        ledger.close()
        again = Ledger(open_database(f"sqlite:///{path}"))
        assert read_entry(again.database, entries[0].run.run_id) == entries[0]
        again.close()


class TestForgetting:
    def test_customer_data_go_and_figures_stay(self, ledger, entries):
        for entry in entries:
            ledger.add(entry)
        gone = ledger.forget("o. brandt", now_ns=LATER)
        mine = [entry for entry in entries if entry.run.customer == "Ö. Brandt"]
        assert gone.run_ids == tuple(entry.run.run_id for entry in mine)
        assert gone.folders == tuple(entry.run.folder for entry in mine)
        for entry in mine:
            left = read_entry(ledger.database, entry.run.run_id)
            run = left.run
            assert (run.customer, run.order_no, run.serial, run.machine, run.note, run.folder) == ("",) * 6
            assert run.erased
            assert run.standing == entry.run.standing
            assert run.journal_sha256 == entry.run.journal_sha256
            assert left.figures == entry.figures
            assert left.findings == entry.findings
            assert {part.serial for part in left.parts} == {""}
            assert [part.name for part in left.parts] == [part.name for part in entry.parts]
        assert _ids(ledger, words="brandt") == []
        assert _ids(ledger, words="saltmarsh SM") == [entry.run.run_id for entry in reversed(entries)]
        others = [entry for entry in entries if entry.run.customer != "Ö. Brandt"]
        assert [one for one in all_entries(ledger.database) if not one.run.erased] == others

    def test_nothing_of_it_is_left_in_the_files(self, tmp_path, entries):
        path = tmp_path / "ledger.sqlite3"
        ledger = Ledger(SqliteDatabase(path))
        for entry in entries:
            ledger.add(entry)
        secrets = [text.encode() for text in ("Brandt", "brandt", "A-1005", "SN-00005", "SM-00005")]
        before = path.read_bytes() + path.with_name("ledger.sqlite3-wal").read_bytes()
        assert all(secret in before for secret in secrets)
        ledger.forget("Ö. Brandt", now_ns=LATER)
        after = b"".join(file.read_bytes() for file in tmp_path.iterdir())
        assert [secret for secret in secrets if secret in after] == []
        assert b"Quillfeather" in after
        ledger.close()

    def test_an_old_journal_imported_later_stays_erased(self, ledger, entries):
        assert ledger.forget("Ö. Brandt", now_ns=LATER).run_ids == ()
        assert ledger.add(entries[5]) == "new"
        assert ledger.add(entries[5]) == "known"
        left = read_entry(ledger.database, entries[5].run.run_id)
        assert left.run.erased
        assert left.run.customer == ""
        assert _ids(ledger, words="SN-00005") == []

    def test_a_customer_who_comes_back_is_on_record_again(self, ledger, entries):
        ledger.add(entries[0])
        ledger.forget("Ö. Brandt", now_ns=entries[4].run.began_ns)
        ledger.add(entries[5])
        assert [entry.run.customer for entry in all_entries(ledger.database)] == ["", "Ö. Brandt"]

    def test_forgetting_again_reaches_later_runs(self, ledger, entries):
        ledger.forget("Ö. Brandt", now_ns=entries[4].run.began_ns)
        ledger.add(entries[5])
        assert ledger.forget("Ö. Brandt", now_ns=LATER).run_ids == (entries[5].run.run_id,)

    def test_a_rebuild_does_not_bring_a_customer_back(self, ledger, entries):
        for entry in entries:
            ledger.add(entry)
        ledger.forget("Ö. Brandt", now_ns=LATER)
        before = all_entries(ledger.database)
        assert ledger.rebuild(entries) == ()
        assert all_entries(ledger.database) == before

    def test_no_name_is_kept_of_who_was_forgotten(self, ledger, entries):
        ledger.forget("Ö. Brandt", now_ns=LATER)
        ((digest, before_ns),) = ledger.database.rows("SELECT digest, before_ns FROM forgotten")
        assert len(digest) == 64
        assert before_ns == LATER

    def test_a_reader_that_stands_in_the_way_is_named(self, tmp_path, entries, monkeypatch):
        monkeypatch.setattr("burnin.ledger.sqlite._WAIT_S", 0.01)
        ledger = Ledger(SqliteDatabase(tmp_path / "l"))
        for entry in entries:
            ledger.add(entry)
        reader = sqlite3.connect(tmp_path / "l", isolation_level=None)
        reader.execute("BEGIN")
        reader.execute("SELECT COUNT(*) FROM runs").fetchall()
        from burnin.errors import BurninError

        with pytest.raises(BurninError, match="another process reads it"):
            ledger.forget("Ö. Brandt", now_ns=LATER)
        reader.close()
        ledger.close()


class TestRebuilding:
    def test_it_gives_the_same_rows(self, ledger, entries):
        for entry in entries:
            ledger.add(entry)
        before = {table: ledger.database.rows(f"SELECT * FROM {table} ORDER BY 1, 2") for table in _TABLES}
        assert ledger.rebuild(entries[::-1]) == ()
        after = {table: ledger.database.rows(f"SELECT * FROM {table} ORDER BY 1, 2") for table in _TABLES}
        assert after == before
        assert len(before["figures"]) > 12

    def test_runs_without_a_journal_are_kept_and_named(self, ledger, entries):
        for entry in entries:
            ledger.add(entry)
        left = ledger.rebuild(entries[:10])
        assert left == tuple(entry.run.run_id for entry in entries[10:])
        assert all_entries(ledger.database) == entries

    def test_a_changed_row_is_put_right(self, ledger, entries):
        ledger.add(entries[3])
        ledger.database.rows("UPDATE runs SET standing = 'accepted', wrong_results = 0")
        ledger.rebuild([entries[3], entries[3]])
        assert all_entries(ledger.database) == (entries[3],)
        assert entries[3].run.standing == "rejected"


_TABLES = ("runs", "parts", "figures", "findings")
