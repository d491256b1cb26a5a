"""Brings a database to the newest schema: numbered files, each run once, in order, all or nothing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.errors import InputError
from burnin.ledger.database import Database
from burnin.ledger.sqlite import has_fts5

FOLDER: Final = Path(__file__).parent / "migrations"
_NAME: Final = re.compile(r"(\d{4})_[a-z_]+(?:\.(sqlite|postgresql))?\.sql")
_END: Final = re.compile(r";[ \t]*$", re.MULTILINE)
_COMMENT: Final = re.compile(r"--.*$", re.MULTILINE)
_NEEDS_FTS5: Final = "-- needs: fts5"


@dataclass(frozen=True, kw_only=True)
class Migration:
    """One step of the schema.

    Attributes:
        version: Its number, from 1.
        statements: What is run.
        needs_fts5: True when it is left out where SQLite has no full-text search.
    """

    version: int
    statements: tuple[str, ...]
    needs_fts5: bool


def migrations_for(kind: str, folder: Path = FOLDER) -> tuple[Migration, ...]:
    """Return the migrations of one kind of database, in order."""
    found = []
    for path in sorted(folder.glob("*.sql")):
        match = _NAME.fullmatch(path.name)
        if match and match.group(2) in {None, kind}:
            text = path.read_text(encoding="utf-8")
            pieces = (piece.strip() for piece in _END.split(_COMMENT.sub("", text)))
            found.append(
                Migration(
                    version=int(match.group(1)),
                    statements=tuple(piece for piece in pieces if piece),
                    needs_fts5=_NEEDS_FTS5 in text,
                )
            )
    return tuple(found)


def migrate(database: Database, folder: Path = FOLDER) -> int:
    """Bring the schema up to date and return its version.

    Raises:
        InputError: the database was made by a later version of this program, or holds other tables.
    """
    steps = migrations_for(database.kind, folder)
    newest = steps[-1].version
    if _version(database) == newest:
        return newest
    with database.alone():
        database.rows("CREATE TABLE IF NOT EXISTS burnin_schema (version BIGINT PRIMARY KEY)")
        version = _version(database)
        if version > newest:
            raise InputError(
                f"ledger: found schema version {version}; expected {newest} or less",
                slug="ledger-newer",
                hint="A later version of this program made it: update this one, or name another ledger.",
            )
        for step in steps:
            if step.version > version:
                _apply(database, step)
    return newest


def _version(database: Database) -> int:
    if not database.rows(_TABLE_THERE[database.kind]):
        return 0
    ((version,),) = database.rows("SELECT COALESCE(MAX(version), 0) FROM burnin_schema")
    return int(version or 0)


_TABLE_THERE: Final = {
    "sqlite": "SELECT 1 FROM sqlite_master WHERE name = 'burnin_schema'",
    "postgresql": "SELECT 1 WHERE to_regclass('burnin_schema') IS NOT NULL",
}


def _apply(database: Database, step: Migration) -> None:
    if not step.needs_fts5 or has_fts5():
        for statement in step.statements:
            database.rows(statement)
    database.rows("INSERT INTO burnin_schema (version) VALUES (?)", (step.version,))
