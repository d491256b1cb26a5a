"""Where the ledger's rows live: what the rest of this room asks of a database, and which one a URL means."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final, Protocol

from burnin.errors import InputError

Value = str | int | float | None
Row = tuple[Value, ...]

SCHEMES: Final = ("postgresql://", "postgres://")


class Database(Protocol):
    """A database with the ledger's tables. Statements are written with ``?`` for each value."""

    kind: str
    """``sqlite`` or ``postgresql``: the ending of migrations written for one of them."""

    for_update: str
    """What makes a ``SELECT`` lock the rows it found until the transaction ends."""

    def writing(self) -> AbstractContextManager[None]:
        """Return a transaction that no other writer of the same rows gets between; rolled back on an error."""
        ...

    def alone(self) -> AbstractContextManager[None]:
        """Return a transaction beside which nobody else migrates or rebuilds."""
        ...

    def rows(self, sql: str, values: Sequence[Value] = ()) -> list[Row]:
        """Return the rows a statement gives, none for one that gives no rows."""
        ...

    def many(self, sql: str, values: Sequence[Sequence[Value]]) -> None:
        """Run a statement once for each set of values."""
        ...

    def search(self, words: Sequence[str]) -> tuple[str, tuple[Value, ...]]:
        """Return a condition on ``runs`` that holds when every word begins a word of the run, and its values."""
        ...

    @property
    def search_note(self) -> str:
        """How the search works where it is not the usual way; empty where it is."""
        ...

    def purge(self) -> None:
        """Make rows that were deleted or overwritten unreadable in the database's own files."""
        ...

    def close(self) -> None:
        """Give the connection back."""
        ...


def open_database(url: str) -> Database:
    """Return the database that ``url`` names: a path for SQLite, ``postgresql://...`` for PostgreSQL.

    Raises:
        InputError: the URL names another kind, or the database cannot be opened.
    """
    if url.startswith(SCHEMES):
        from burnin.ledger.postgres import PostgresDatabase

        return PostgresDatabase(url)
    path = url.removeprefix("sqlite:///") if url.startswith("sqlite:///") else url
    if "://" in path or not path:
        raise InputError(
            f"ledger {url.partition('://')[0] or '(empty)'}: found no database this program knows; "
            "expected a file's path or postgresql://HOST/NAME",
            slug="ledger-url",
        )
    from burnin.ledger.sqlite import SqliteDatabase

    return SqliteDatabase(Path(path))
