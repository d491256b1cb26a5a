"""From what the operator calls a run to the run: its folder, its journal, its bundle, or its id in the ledger."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from burnin.cli.ledger_place import ledger_url, open_ledger
from burnin.cli.outcome import JOURNAL
from burnin.errors import InputError
from burnin.journal.bundle import looks_like_bundle, open_bundle
from burnin.journal.reader import JournalReader, open_journal, read_run
from burnin.ledger.queries import read_entry, run_ids_beginning
from burnin.records.view import RunView

_HINT: Final = (
    "Name a run's folder, its journal.jsonl, its bundle, or the id of a run on record (burnin ledger list)."
)


def find_run(name: str, url: str | None = None) -> Path:
    """Return where the run called ``name`` is: a folder, a journal or a bundle.

    Raises:
        InputError: there is no such run, several begin like that, or its journal is not where it was.
    """
    if Path(name).exists():
        return Path(name)
    place = ledger_url(url)
    if "://" not in place and not Path(place).is_file():
        raise InputError(
            f"{name}: found no such file, and there is no ledger to look it up in",
            slug="run-missing",
            hint=_HINT,
        )
    ledger = open_ledger(url)
    try:
        ids = run_ids_beginning(ledger.database, name)
        exact = [name] if name in ids else list(ids)
        if len(exact) != 1:
            found = "no run" if not exact else f"{len(exact)} runs ({', '.join(exact[:4])} ...)"
            raise InputError(
                f"{name}: found no such file and {found} on record of that id; expected one",
                slug="run-missing",
                hint=_HINT,
            )
        entry = read_entry(ledger.database, exact[0])
        folder = entry.run.folder if entry else ""
    finally:
        ledger.close()
    if not folder or not Path(folder).exists():
        where = (
            f"at {folder}"
            if folder
            else "anywhere: its customer's data were erased, and with them where it was"
        )
        raise InputError(
            f"{exact[0]}: is on record, but its journal was not found {where}", slug="run-missing", hint=_HINT
        )
    return Path(folder)


def read_named(path: Path) -> RunView:
    """Return the run in a folder, a journal or a bundle.

    Raises:
        InputError: it cannot be read, or is none.
    """
    if path.is_file() and looks_like_bundle(path):
        return open_bundle(path).run()
    return read_run(path)


def runs_under(path: Path) -> Iterator[Path]:
    """Yield every run at or below ``path``, in order of name.

    Raises:
        InputError: there is no such file or folder.
    """
    if not path.exists():
        raise InputError(
            f"{path}: found no such file or folder; expected runs", slug="run-missing", hint=_HINT
        )
    if path.is_file() or (path / JOURNAL).is_file():
        yield path
        return
    for folder, below, names in os.walk(path):
        below.sort()
        if JOURNAL in names:
            yield Path(folder)


def hash_at(path: Path, line: int) -> str:
    """Return the hash that the journal's chain had after so many lines, empty where it never had so many."""
    if path.is_file() and looks_like_bundle(path):
        import io

        return _hash_at(JournalReader(io.BytesIO(open_bundle(path).read(JOURNAL))), line)
    with open_journal(path) as stream:
        return _hash_at(JournalReader(stream), line)


def _hash_at(reader: JournalReader, line: int) -> str:
    for _ in reader:
        if reader.head.seq == line:
            return reader.head.prev
    return ""
