"""Runs into the ledger, once each, and customers out of it."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from msgspec.structs import replace

from burnin.ledger.database import Database, Value
from burnin.ledger.migrate import migrate
from burnin.ledger.rows import Entry, FigureRow, FindingRow, PartRow, RunRow
from burnin.ledger.words import search_text, words_of

Done = Literal["new", "known", "newer", "older", "other"]
"""What became of a run: ``new``; ``known`` already; ``newer``, as its journal had grown; ``older`` than what stands
there; ``other``, a different journal under the same run id."""

COLUMNS: Final = {
    "runs": RunRow.__struct_fields__,
    "parts": PartRow.__struct_fields__,
    "figures": FigureRow.__struct_fields__,
    "findings": FindingRow.__struct_fields__,
}
CHILDREN: Final = ("parts", "figures", "findings")
HashAt = Callable[[int], str]
"""Hash of a journal's line before the one of this number: what its head was when it had so many lines."""


@dataclass(frozen=True, kw_only=True)
class Forgotten:
    """What forgetting a customer came to.

    Attributes:
        run_ids: Runs whose customer data were erased.
        folders: Where their journals were, which still hold the data and cannot be edited without breaking their chain.
    """

    run_ids: tuple[str, ...]
    folders: tuple[str, ...]


class Ledger:
    """The shop's records in a database.

    Args:
        database: Where they live; brought to the newest schema.
    """

    def __init__(self, database: Database) -> None:
        self.database = database
        migrate(database)

    def add(self, entry: Entry, hash_at: HashAt | None = None) -> Done:
        """Record a run unless it is on record already; nothing is ever recorded twice or half.

        Args:
            entry: The run.
            hash_at: Tells whether a longer journal goes on from the one on record; None never replaces.
        """
        with self.database.writing():
            return self._add(entry, hash_at)

    def _add(self, entry: Entry, hash_at: HashAt | None) -> Done:
        entry = self._as_remembered(entry)
        if self._insert_run(entry.run):
            self._insert_children(entry)
            return "new"
        ((lines, head),) = self.database.rows(
            f"SELECT journal_lines, journal_sha256 FROM runs WHERE run_id = ?{self.database.for_update}",  # noqa: S608 - a constant of ours
            (entry.run.run_id,),
        )
        if head == entry.run.journal_sha256:
            return "known"
        if int(lines or 0) > entry.run.journal_lines:
            return "older"
        if hash_at is None or hash_at(int(lines or 0)) != head:
            return "other"
        self._remove(entry.run.run_id)
        self._insert_run(entry.run)
        self._insert_children(entry)
        return "newer"

    def forget(self, customer: str, *, now_ns: int) -> Forgotten:
        """Erase a customer's data from every run that began before ``now_ns``, also from runs imported later.

        What is erased: customer, order number, serial numbers, name of the machine, note, where the journal is, and the
        words of the search. The verdict and the figures stay, without a name. Journals are not touched.
        """
        name = _same_name(customer)
        with self.database.alone():
            found = self._forget(self._digest(name), now_ns, lambda known: _same_name(known) == name)
        self.database.purge()
        return found

    def forget_before(self, before_ns: int) -> Forgotten:
        """Erase all customers' data from every run that began before ``before_ns``, also from runs imported later."""
        with self.database.alone():
            found = self._forget(_EVERYBODY, before_ns, lambda _: True)
        self.database.purge()
        return found

    def of_customer(self, customer: str) -> tuple[str, ...]:
        """Return the ids of runs whose customer's name is spelt the same but for letter case, accents and blanks."""
        name = _same_name(customer)
        rows = self.database.rows(
            "SELECT run_id, customer FROM runs WHERE erased = 0 ORDER BY began_ns, run_id"
        )
        return tuple(str(run_id) for run_id, known in rows if _same_name(str(known)) == name)

    def _forget(self, digest: str, before_ns: int, meant: Callable[[str], bool]) -> Forgotten:
        self.database.rows(
            "INSERT INTO forgotten (digest, before_ns) VALUES (?, ?) "
            "ON CONFLICT (digest) DO UPDATE SET before_ns = excluded.before_ns",
            (digest, before_ns),
        )
        rows = self.database.rows(
            "SELECT run_id, folder, customer FROM runs WHERE began_ns < ? AND erased = 0 ORDER BY began_ns, run_id",
            (before_ns,),
        )
        found = [(str(run_id), str(folder)) for run_id, folder, known in rows if meant(str(known))]
        for run_id, _ in found:
            self._erase(run_id)
        return Forgotten(run_ids=tuple(one for one, _ in found), folders=tuple(where for _, where in found))

    def rebuild(self, entries: Sequence[Entry]) -> tuple[str, ...]:
        """Replace every run that ``entries`` tell anew; return the ids of runs on record that they do not tell."""
        with self.database.alone():
            told = {entry.run.run_id for entry in entries}
            on_record = {str(run_id) for (run_id,) in self.database.rows("SELECT run_id FROM runs")}
            for run_id in sorted(told & on_record):
                self._remove(run_id)
            for entry in entries:
                kept = self._as_remembered(entry)
                if self._insert_run(kept.run):
                    self._insert_children(kept)
        return tuple(sorted(on_record - told))

    def close(self) -> None:
        """Give the database back."""
        self.database.close()

    def _insert_run(self, run: RunRow) -> bool:
        values: list[Value] = [number_of(run.run_id), *_values(run)]
        marks = ", ".join("?" for _ in values)
        names = ", ".join(("number", *COLUMNS["runs"]))
        sql = f"INSERT INTO runs ({names}) VALUES ({marks}) ON CONFLICT (run_id) DO NOTHING RETURNING run_id"  # noqa: S608 - names are ours
        return bool(self.database.rows(sql, values))

    def _insert_children(self, entry: Entry) -> None:
        for table in CHILDREN:
            rows: Sequence[PartRow | FigureRow | FindingRow] = getattr(entry, table)
            names = ", ".join(("run_id", "place", *COLUMNS[table]))
            marks = ", ".join("?" for _ in range(len(COLUMNS[table]) + 2))
            if rows:
                self.database.many(
                    f"INSERT INTO {table} ({names}) VALUES ({marks})",  # noqa: S608 - names are ours
                    [[entry.run.run_id, place, *_values(row)] for place, row in enumerate(rows)],
                )

    def _remove(self, run_id: str) -> None:
        for table in (*CHILDREN, "runs"):
            self.database.rows(f"DELETE FROM {table} WHERE run_id = ?", (run_id,))  # noqa: S608 - names are ours

    def _erase(self, run_id: str) -> None:
        self.database.rows(
            "INSERT INTO forgotten_runs (run_id) VALUES (?) ON CONFLICT (run_id) DO NOTHING", (run_id,)
        )
        self.database.rows("UPDATE parts SET serial = '' WHERE run_id = ?", (run_id,))
        blank = ", ".join(f"{name} = ''" for name in _PERSONAL)
        self.database.rows(
            f"UPDATE runs SET {blank}, folder = '', words = ?, erased = 1 WHERE run_id = ?",  # noqa: S608 - names are ours
            (self._plain_words(run_id), run_id),
        )

    def _plain_words(self, run_id: str) -> str:
        """Return the words of an erased run: its id and the names of its parts as found."""
        names = self.database.rows(
            "SELECT name FROM parts WHERE run_id = ? AND found = 1 ORDER BY place", (run_id,)
        )
        return search_text([run_id, *(str(name) for (name,) in names)])

    def _as_remembered(self, entry: Entry) -> Entry:
        """Return the entry, without the customer's data when they were to be forgotten."""
        run = entry.run
        gone = bool(self.database.rows("SELECT 1 FROM forgotten_runs WHERE run_id = ?", (run.run_id,)))
        if not gone and self.database.rows("SELECT 1 FROM forgotten LIMIT 1"):
            digests = (self._digest(_same_name(run.customer)), _EVERYBODY)
            found = self.database.rows("SELECT MAX(before_ns) FROM forgotten WHERE digest IN (?, ?)", digests)
            gone = run.began_ns < int(found[0][0] or 0)
        if not gone:
            return entry
        self.database.rows(
            "INSERT INTO forgotten_runs (run_id) VALUES (?) ON CONFLICT (run_id) DO NOTHING", (run.run_id,)
        )
        return without_customer(entry)

    def _digest(self, name: str) -> str:
        """Return a keyed digest of a customer's name; the key never leaves this ledger."""
        keys = self.database.rows("SELECT hex FROM digest_key")
        if not keys:
            keys = [(secrets.token_hex(32),)]
            self.database.rows("INSERT INTO digest_key (hex) VALUES (?)", keys[0])
        return hmac.new(bytes.fromhex(str(keys[0][0])), name.encode(), hashlib.sha256).hexdigest()


_EVERYBODY: Final = "*"
_PERSONAL: Final = ("order_no", "customer", "serial", "machine", "note")


def without_customer(entry: Entry) -> Entry:
    """Return a run without everything that tells whose it is; where its journal is tells it too."""
    names = [entry.run.run_id, *(part.name for part in entry.parts if part.found)]
    blank = dict.fromkeys((*_PERSONAL, "folder"), "")
    return replace(
        entry,
        run=replace(entry.run, **blank, words=search_text(names), erased=True),
        parts=tuple(replace(part, serial="") for part in entry.parts),
    )


def number_of(run_id: str) -> int:
    """Return 63 bits of the digest of a run's id."""
    return int.from_bytes(hashlib.sha256(run_id.encode("utf-8", "replace")).digest()[:8], "big") >> 1


def _same_name(customer: str) -> str:
    """Return what makes two spellings of a customer the same: letter case, accents and blanks do not count."""
    return " ".join(words_of(customer))


def _values(row: RunRow | PartRow | FigureRow | FindingRow) -> list[Value]:
    return [
        int(value) if isinstance(value, bool) else value
        for value in (getattr(row, name) for name in row.__struct_fields__)
    ]
