"""The same ledger on a real PostgreSQL server."""

from __future__ import annotations

import invented_runs
import pytest

from burnin.errors import BurninError, InputError
from burnin.ledger.database import open_database
from burnin.ledger.migrate import migrate
from burnin.ledger.queries import (
    Wanted,
    all_entries,
    figure_names,
    list_runs,
    read_entry,
    repeats,
    run_ids_beginning,
    same_machine,
    series,
)
from burnin.ledger.sqlite import SqliteDatabase
from burnin.ledger.store import Ledger

psycopg = pytest.importorskip("psycopg")
pytestmark = pytest.mark.system
LATER = invented_runs.START_WALL_NS + 1000 * invented_runs.DAY_NS


@pytest.fixture
def both(postgres, tmp_path, entries):
    """The same runs in PostgreSQL and in SQLite."""
    ledgers = [Ledger(open_database(postgres)), Ledger(SqliteDatabase(tmp_path / "l"))]
    for ledger in ledgers:
        for entry in reversed(entries):
            assert ledger.add(entry) == "new"
    yield ledgers
    for ledger in ledgers:
        ledger.close()


WANTED = [
    {}, {"most": 3}, {"order_no": "A-1004"}, {"customer": "C-1187"}, {"standing": "rejected"}, {"serial": "SM-00006"},
    {"part": "saltmarsh"}, {"words": "bran"}, {"words": "Ö brandt"}, {"words": "quill 1006"}, {"words": "--"},
    {"words": "1e5"}, {"words": "00006"}, {"words": "fjord tern"}, {"words": "a"}, {"words": "the"},
    {"words": "x' | y:* & !z"}, {"words": "2026 000006 bench"},
]  # fmt: skip


@pytest.mark.parametrize("wanted", WANTED, ids=str)
def test_both_find_the_same_runs(both, wanted):
    ours, theirs = (list_runs(ledger.database, Wanted(**wanted)) for ledger in both)
    assert ours == theirs


def test_both_answer_every_question_alike(both, entries):
    questions = [
        all_entries,
        figure_names,
        lambda database: read_entry(database, entries[3].run.run_id),
        lambda database: run_ids_beginning(database, "2026-00001"),
        lambda database: series(database, "hwmon/cpu", stage="all together", unit="K", like=entries[0].run),
        lambda database: same_machine(database, entries[0].run),
        lambda database: repeats(database, entries[0].run),
    ]
    for question in questions:
        assert question(both[0].database) == question(both[1].database)


def test_known_newer_older_and_other(both, entries):
    from msgspec.structs import replace

    ledger, first = both[0], entries[0]
    grown = replace(first, run=replace(first.run, journal_lines=9999, journal_sha256="e" * 64))
    assert ledger.add(first) == "known"
    assert ledger.add(grown) == "other"
    assert ledger.add(grown, lambda _: first.run.journal_sha256) == "newer"
    assert ledger.add(first) == "older"
    assert read_entry(ledger.database, first.run.run_id) == grown


def test_forgetting_erases_the_same_and_leaves_no_dead_rows(both, postgres):
    forgotten = [ledger.forget("Ö. Brandt", now_ns=LATER) for ledger in both]
    assert forgotten[0] == forgotten[1]
    assert len(forgotten[0].run_ids) == 3
    assert all_entries(both[0].database) == all_entries(both[1].database)
    with psycopg.connect(postgres) as connection:
        files = connection.execute(
            "SELECT pg_relation_filepath('runs'), current_setting('data_directory')"
        ).fetchone()
        connection.execute("CHECKPOINT")
        content = connection.execute(
            "SELECT pg_read_binary_file(%s)", (f"{files[1]}/{files[0]}",)
        ).fetchone()[0]
    assert b"Brandt" not in content
    assert b"Quillfeather" in content


def test_a_rebuild_gives_the_same_rows(both, entries):
    before = all_entries(both[0].database)
    assert both[0].rebuild(entries[:9]) == tuple(entry.run.run_id for entry in entries[9:])
    assert all_entries(both[0].database) == before == entries


def test_trouble_is_named_and_undone(both):
    database = both[0].database
    for ask in (
        lambda: database.rows("SELECT nothing"),
        lambda: database.many("INSERT INTO no VALUES (?)", [(1,)]),
    ):
        with pytest.raises(BurninError, match="ledger postgresql://bench@127"):
            ask()

    def half():
        with database.writing():
            database.rows("DELETE FROM runs")
            database.rows("SELECT nothing")

    with pytest.raises(BurninError):
        half()
    assert len(all_entries(database)) == 12


def test_a_later_version_is_refused(both):
    both[0].database.rows("INSERT INTO burnin_schema VALUES (99)")
    with pytest.raises(InputError, match="found schema version 99"):
        migrate(both[0].database)


def test_a_server_that_drops_us_before_the_end_is_an_error_and_nothing_is_told_as_done(
    both, postgres, entries
):
    database = both[0].database

    def drop_us():
        ((own,),) = database.rows("SELECT pg_backend_pid()")
        with database.writing():
            database.rows("DELETE FROM runs")
            with psycopg.connect(postgres) as other:
                other.execute("SELECT pg_terminate_backend(%s, 5000)", (own,))

    with pytest.raises(BurninError, match="ledger postgresql"):
        drop_us()
    again = Ledger(open_database(postgres))
    assert all_entries(again.database) == entries
    again.close()
