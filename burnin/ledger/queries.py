"""Questions to the ledger. Nothing here loads the numeric library: a list is there at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import msgspec

from burnin.ledger.database import Database, Row, Value
from burnin.ledger.rows import Entry, RunRow
from burnin.ledger.store import CHILDREN, COLUMNS
from burnin.ledger.words import words_of

_FLAGS: Final = ("first_look", "rehearsal", "erased")


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """Which runs are asked for; empty fields ask for nothing.

    Attributes:
        order_no: Order number, exactly.
        serial: Serial number of the machine or of a part, exactly.
        customer: Customer reference, exactly.
        standing: ``accepted``, ``rejected`` or ``inconclusive``.
        part: Beginning of a word in the name of a part.
        words: Words that must all begin a word of the run.
        most: Newest runs to return, 0 for all.
    """

    order_no: str = ""
    serial: str = ""
    customer: str = ""
    standing: str = ""
    part: str = ""
    words: str = ""
    most: int = 0


class Point(NamedTuple):
    """One run's value of a figure.

    Attributes:
        run_id: The run.
        began_ns: When it began.
        unit: Unit.
        value: The figure.
        serial: Serial number of the machine, empty where none is known.
        machine_sha256: Digest of the machine, empty where nothing tells it from others.
        retest_of: Run it follows.
        note: Operator's note.
        stages_sha256: Digest of what was done.
    """

    run_id: str
    began_ns: int
    unit: str
    value: float
    serial: str
    machine_sha256: str
    retest_of: str
    note: str
    stages_sha256: str


def list_runs(database: Database, wanted: Wanted) -> tuple[RunRow, ...]:
    """Return the runs asked for, newest first."""
    conditions, values = _conditions(database, wanted)
    where = f" WHERE {' AND '.join(conditions)}" if conditions else ""
    limit = f" LIMIT {int(wanted.most)}" if wanted.most else ""
    sql = f"SELECT {_names('runs')} FROM runs{where} ORDER BY began_ns DESC, run_id DESC{limit}"  # noqa: S608 - names are ours
    return tuple(_run(row) for row in database.rows(sql, values))


def _conditions(database: Database, wanted: Wanted) -> tuple[list[str], list[Value]]:
    conditions: list[str] = []
    values: list[Value] = []
    for name in ("order_no", "customer", "standing"):
        if getattr(wanted, name):
            conditions.append(f"{name} = ?")
            values.append(getattr(wanted, name))
    if wanted.serial:
        conditions.append("(serial = ? OR run_id IN (SELECT run_id FROM parts WHERE serial = ?))")
        values += [wanted.serial, wanted.serial]
    for text, narrowed in ((wanted.words, False), (wanted.part, True)):
        words = words_of(text)
        if text and not words:
            conditions.append("1 = 0")
        if words:
            condition, found = database.search(words)
            conditions.append(condition)
            values += found
        if words and narrowed:
            names = " AND ".join("LOWER(name) LIKE ?" for _ in words)
            conditions.append(f"run_id IN (SELECT run_id FROM parts WHERE {names})")  # noqa: S608 - marks only
            values += [f"%{word}%" for word in words]
    return conditions, values


def read_entry(database: Database, run_id: str) -> Entry | None:
    """Return everything on record about a run, None when it is not on record."""
    rows = database.rows(f"SELECT {_names('runs')} FROM runs WHERE run_id = ?", (run_id,))  # noqa: S608 - names are ours
    if not rows:
        return None
    children = {}
    for table in CHILDREN:
        sql = f"SELECT {_names(table)} FROM {table} WHERE run_id = ? ORDER BY place"  # noqa: S608 - names are ours
        children[table] = [_plain(COLUMNS[table], row) for row in database.rows(sql, (run_id,))]
    return msgspec.convert({"run": _plain(COLUMNS["runs"], rows[0]), **children}, Entry, strict=False)


def all_entries(database: Database) -> tuple[Entry, ...]:
    """Return everything on record, oldest first."""
    ids = database.rows("SELECT run_id FROM runs ORDER BY began_ns, run_id")
    found = (read_entry(database, str(run_id)) for (run_id,) in ids)
    return tuple(entry for entry in found if entry is not None)


def run_ids_beginning(database: Database, start: str) -> tuple[str, ...]:
    """Return the ids of runs that begin with ``start``, sorted."""
    rows = database.rows(
        "SELECT run_id FROM runs WHERE SUBSTR(run_id, 1, ?) = ? ORDER BY run_id", (len(start), start)
    )
    return tuple(str(run_id) for (run_id,) in rows)


def figure_names(database: Database, called: str = "") -> tuple[tuple[str, str, str, str, int], ...]:
    """Return stage, name, label and unit of every figure on record, with the number of runs that have it.

    Args:
        database: The ledger.
        called: Only figures of this name, or of this label where none has such a name; empty for all.
    """
    for column in ("name", "label"):
        where, values = (f"WHERE {column} = ? ", (called,)) if called else ("", ())
        rows = database.rows(
            f"SELECT stage, name, MAX(label), unit, COUNT(*) FROM figures {where}"  # noqa: S608 - names are ours
            "GROUP BY stage, name, unit ORDER BY stage, name, unit",
            values,
        )
        if rows or not called:
            break
    return tuple((str(a), str(b), str(c), str(d), int(n or 0)) for a, b, c, d, n in rows)


def series(
    database: Database,
    name: str,
    *,
    stage: str,
    unit: str = "",
    like: RunRow | None = None,
    same_board: bool = False,
) -> tuple[Point, ...]:
    """Return a figure over runs, oldest first; rehearsals are left out.

    Args:
        database: The ledger.
        name: The figure.
        stage: Stage it is from.
        unit: Unit, empty for any.
        like: Only runs of this run's family: same processor, cooler and case.
        same_board: Of the family, only runs with the same board and firmware.
    """
    conditions, values = ["figures.name = ?", "figures.stage = ?", "rehearsal = 0"], [name, stage]
    if unit:
        conditions.append("figures.unit = ?")
        values.append(unit)
    if like is not None:
        conditions += ["cpu = ?", "cooler = ?", "housing = ?"]
        values += [like.cpu, like.cooler, like.housing]
    if like is not None and same_board:
        conditions.append("board = ?")
        values.append(like.board)
    sql = (
        "SELECT runs.run_id, began_ns, figures.unit, figures.value, runs.serial, machine_sha256, retest_of, note, "  # noqa: S608 - names are ours
        f"stages_sha256 FROM figures JOIN runs ON runs.run_id = figures.run_id WHERE {' AND '.join(conditions)} "
        "ORDER BY began_ns, runs.run_id"
    )
    return tuple(map(Point._make, database.rows(sql, values)))


def one_per_machine(points: Sequence[Point]) -> tuple[Point, ...]:
    """Return the first run of each machine, no re-tests: a build as it was first tested.

    A machine is told by its serial number, else by its digest; runs of machines that nothing tells apart stand for
    themselves.
    """
    first: dict[str, Point] = {}
    for point in points:
        if not point.retest_of:
            first.setdefault(point.serial or point.machine_sha256 or point.run_id, point)
    return tuple(first.values())


def same_machine(database: Database, run: RunRow) -> tuple[RunRow, ...]:
    """Return the other runs of a machine that nobody said was changed: same digest, same stages, oldest first.

    A re-test with a note follows a change and is left out. Empty where nothing tells the machine from others.
    """
    if not run.machine_sha256:
        return ()
    sql = (
        f"SELECT {_names('runs')} FROM runs WHERE machine_sha256 = ? AND stages_sha256 = ? AND rehearsal = ? "  # noqa: S608 - names are ours
        "AND (retest_of = '' OR note = '') AND run_id <> ? ORDER BY began_ns, run_id"
    )
    values = (run.machine_sha256, run.stages_sha256, int(run.rehearsal), run.run_id)
    return tuple(_run(row) for row in database.rows(sql, values))


def repeats(
    database: Database, run: RunRow, *, without: str = ""
) -> dict[tuple[str, str, str], tuple[tuple[float, ...], ...]]:
    """Return what the family's repeated runs tell: for each figure, one group of values for each unchanged machine.

    Stage, name and unit of a figure lead to its groups. Groups are runs of one machine (same digest, so same firmware and
    settings) that did the same stages, re-tests after a stated change left out. Machines are of the run's family.

    Args:
        database: The ledger.
        run: The run whose family and stages are meant.
        without: A run that is left out: the one that is compared.
    """
    rows = database.rows(
        "SELECT figures.stage, figures.name, figures.unit, machine_sha256, figures.value FROM figures "
        "JOIN runs ON runs.run_id = figures.run_id WHERE machine_sha256 <> '' AND rehearsal = ? AND stages_sha256 = ? "
        "AND (retest_of = '' OR note = '') AND cpu = ? AND cooler = ? AND housing = ? AND runs.run_id <> ? "
        "ORDER BY began_ns, runs.run_id",
        (int(run.rehearsal), run.stages_sha256, run.cpu, run.cooler, run.housing, without),
    )
    groups: dict[tuple[str, str, str], dict[str, list[float]]] = {}
    for stage, name, unit, machine, value in rows:
        key = (str(stage), str(name), str(unit))
        groups.setdefault(key, {}).setdefault(str(machine), []).append(float(value or 0.0))
    return {
        key: tuple(tuple(values) for values in machines.values() if len(values) > 1)
        for key, machines in groups.items()
    }


def _names(table: str) -> str:
    return ", ".join(COLUMNS[table])


def _run(row: Row) -> RunRow:
    """Return a row as a record; the database's column types vouch for its values, all but those that are yes or no."""
    fields = _plain(COLUMNS["runs"], row)
    flags = {name: bool(fields[name]) for name in _FLAGS}
    return RunRow(**{**fields, **flags})  # type: ignore[arg-type] # typed by the schema


def _plain(names: Sequence[str], row: Row) -> dict[str, Value]:
    return dict(zip(names, row, strict=True))
