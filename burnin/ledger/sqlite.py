"""The ledger in one SQLite file: the standard library alone, several processes at once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from burnin.errors import BurninError, InputError
from burnin.ledger.database import Row, Value

_WAIT_S: Final = 60.0
_TRIES: Final = 20


class SqliteDatabase:
    """One file. A writer waits for the other writer, a reader for nobody (write-ahead log).

    Args:
        path: The file; made, with its folder, when it is not there.

    Raises:
        InputError: it cannot be made, or is no SQLite file.
    """

    kind = "sqlite"
    for_update = ""  # a writing transaction has the file to itself

    def __init__(self, path: Path) -> None:
        self._path = path
        self._full_text: bool | None = None
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise self._unusable(error) from None
        try:
            self._connection.execute(
                "PRAGMA secure_delete = ON"
            )  # what is erased is overwritten, not only unlinked
            self._use_log()
            self._connection.execute(
                "PRAGMA synchronous = NORMAL"
            )  # after a power cut: whole, perhaps a run short
        except sqlite3.Error as error:
            self._connection.close()
            raise self._unusable(error) from None

    def _use_log(self) -> None:
        """Switch to the write-ahead log; where another process holds the file just now, wait for it and try again."""
        for left in reversed(range(_TRIES)):
            try:
                self._connection.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError:
                if not left:
                    raise
                self._connection.execute("BEGIN IMMEDIATE")
                self._connection.execute("ROLLBACK")
            else:
                return

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Return a transaction that has the file to itself."""
        self.rows("BEGIN IMMEDIATE")
        try:
            yield
            self.rows("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    alone = writing

    def rows(self, sql: str, values: Sequence[Value] = ()) -> list[Row]:
        """Return the rows a statement gives."""
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise self._trouble(error) from error

    def many(self, sql: str, values: Sequence[Sequence[Value]]) -> None:
        """Run a statement once for each set of values."""
        try:
            self._connection.executemany(sql, values)
        except sqlite3.Error as error:
            raise self._trouble(error) from error

    @property
    def full_text(self) -> bool:
        """Whether this build of SQLite has full-text search (FTS5) and the file has its index."""
        if self._full_text is None:
            self._full_text = (
                bool(self.rows("SELECT 1 FROM sqlite_master WHERE name = 'run_words'")) and has_fts5()
            )
        return self._full_text

    def search(self, words: Sequence[str]) -> tuple[str, tuple[Value, ...]]:
        """Return the condition: the full-text index, or each word looked for in every run's text where there is none."""
        if self.full_text:
            match = " AND ".join(f'"{word}"*' for word in words)
            return "runs.number IN (SELECT rowid FROM run_words WHERE run_words MATCH ?)", (match,)
        return " AND ".join("' ' || words LIKE ?" for _ in words), tuple(f"% {word}%" for word in words)

    @property
    def search_note(self) -> str:
        """What is said where the full-text index is missing."""
        return (
            ""
            if self.full_text
            else "this SQLite has no full-text index (FTS5): every run's words were read instead"
        )

    def purge(self) -> None:
        """Build the word index anew and empty the log: what was deleted is overwritten then (``secure_delete``)."""
        if self.full_text:
            self.rows("INSERT INTO run_words(run_words) VALUES ('rebuild')")
        ((busy, *_),) = self.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        if busy:
            raise self._trouble(
                TimeoutError("another process reads it, so erased text may still stand in its log")
            )

    def close(self) -> None:
        """Give the file back."""
        self._connection.close()

    def _unusable(self, error: Exception) -> InputError:
        return InputError(
            f"{self._path}: cannot be used as the ledger: {error}; expected a file this program made, or none yet",
            slug="ledger-unusable",
            hint="Name another file with --url, or set BURNIN_LEDGER. The ledger can be rebuilt from the journals.",
        )

    def _trouble(self, error: Exception) -> BurninError:
        return BurninError(
            f"{self._path}: the ledger could not be read or written: {error}",
            slug="ledger-trouble",
            hint="Check free space and rights; the ledger can be rebuilt from the journals (burnin ledger rebuild).",
        )


def has_fts5() -> bool:
    """Return whether this build of SQLite has full-text search."""
    try:
        with sqlite3.connect(":memory:") as trial:
            trial.execute("CREATE VIRTUAL TABLE trial USING fts5(words)")
    except sqlite3.OperationalError:
        return False
    return True
