"""Runs into the ledger: read, judged and recorded one by one, or all anew."""

from __future__ import annotations

import argparse
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import lru_cache, partial
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from burnin.cli.equipment import criteria_of, everything
from burnin.cli.ledger_place import open_ledger
from burnin.cli.named_run import hash_at, read_named, runs_under
from burnin.cli.screen import say, say_json
from burnin.criteria.verdict import fold, judge_all
from burnin.errors import BurninError
from burnin.ledger.ingest import entry_of
from burnin.ledger.rows import Entry
from burnin.ledger.store import Ledger
from burnin.plugin.contracts import Criterion
from burnin.records.codec import from_json, to_json
from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView

WORDS: Final = {
    "new": "recorded",
    "known": "on record already",
    "newer": "recorded anew, as its journal had grown",
    "older": "left out: what is on record is longer",
    "other": "REFUSED: another journal is on record under this id",
    "unfinished": "left out: not closed (burnin recover closes runs that were cut off)",
    "trouble": "REFUSED",
}
_REFUSED: Final = ("other", "trouble")
_MOST_WORKERS: Final = 8
_WORTH_WORKERS: Final = 64


@dataclass(frozen=True, kw_only=True)
class Imported:
    """What became of one run."""

    place: str
    done: str
    run_id: str = ""
    detail: str = ""


def import_runs(options: argparse.Namespace) -> int:
    """Record runs; return 0, or 2 when one was refused (all others are recorded)."""
    paths = list(_all_runs(options.paths))
    ledger = open_ledger(options.url)
    try:
        done = [_recorded(ledger, path, read) for path, read in zip(paths, _readings(paths), strict=True)]
    finally:
        ledger.close()
    counts = Counter(each.done for each in done)
    if options.json:
        say_json({"counts": dict(counts), "runs": [vars(each) for each in done]})
    else:
        for each in done:
            if each.done != "known":
                say(f"{each.run_id or each.place}: {WORDS[each.done]}{each.detail and ': '}{each.detail}")
        say(
            f"{len(done)} runs found: "
            + (", ".join(f"{n} {_short(name)}" for name, n in counts.items()) or "none")
        )
    return 2 if any(counts[name] for name in _REFUSED) else 0


def rebuild(options: argparse.Namespace) -> int:
    """Work out every row anew; return 0, or 2 when a journal could not be read (its row is kept as it was)."""
    ledger = open_ledger(options.url)
    try:
        known = [
            str(folder)
            for (folder,) in ledger.database.rows("SELECT DISTINCT folder FROM runs ORDER BY folder")
        ]
        there = [folder for folder in known if folder and Path(folder).exists()]
        entries, trouble = _entries([*there, *options.paths])
        kept = ledger.rebuild(entries)
    finally:
        ledger.close()
    if options.json:
        say_json({"rebuilt": len(entries), "kept": list(kept), "trouble": trouble})
        return 2 if trouble else 0
    for line in trouble:
        say(f"REFUSED: {line}")
    say(f"{len(entries)} runs worked out anew from their journals.")
    if kept:
        say(f"{len(kept)} runs kept as they were, as no journal of theirs was found: {', '.join(kept[:6])}")
    return 2 if trouble else 0


def _short(name: str) -> str:
    return {"new": "recorded", "known": "on record already", "newer": "recorded anew"}.get(name, name)


def _all_runs(paths: Sequence[str]) -> Iterator[Path]:
    seen = set()
    for path in paths:
        for run in runs_under(Path(path)):
            if run.resolve() not in seen:
                seen.add(run.resolve())
                yield run.resolve()


def _readings(paths: Sequence[Path]) -> Iterator[Entry | Imported]:
    """Yield what each run comes to, in order; many runs are read and judged by several processes."""
    workers = min(os.cpu_count() or 1, _MOST_WORKERS)
    if workers < 2 or len(paths) < _WORTH_WORKERS:
        yield from map(read_and_judge, paths)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        for data in pool.map(_judged_bytes, map(str, paths), chunksize=4):
            yield _unpacked(data)


def _unpacked(data: bytes) -> Entry | Imported:
    """Return what :func:`_judged_bytes` packed: its first byte says which of the two it is."""
    if data[:1] == b"E":
        return from_json(data[1:], Entry)
    return Imported(**from_json(data[1:], dict[str, str]))


def _judged_bytes(path: str) -> bytes:
    """Return what a run comes to, as it travels between processes."""
    read = read_and_judge(Path(path))
    return b"E" + to_json(read) if isinstance(read, Entry) else b"I" + to_json(vars(read))


def read_and_judge(path: Path) -> Entry | Imported:
    """Return what the ledger keeps of a run, or why it keeps nothing."""
    try:
        view = read_named(path)
        if view.closed is None:
            return Imported(place=str(path), run_id=view.opened.run_id, done="unfinished")
        return entry_from(view, path)
    except BurninError as error:
        return Imported(place=str(path), done="trouble", detail=error.message)


def _recorded(ledger: Ledger, path: Path, read: Entry | Imported) -> Imported:
    if isinstance(read, Imported):
        return read
    done = ledger.add(read, partial(hash_at, path))
    return Imported(place=str(path), run_id=read.run.run_id, done=done)


def _entries(paths: Sequence[str]) -> tuple[list[Entry], list[str]]:
    entries: dict[str, Entry] = {}
    trouble = []
    for read in _readings(list(_all_runs(paths))):
        if isinstance(read, Entry):
            longest = entries.setdefault(read.run.run_id, read)
            if read.run.journal_lines > longest.run.journal_lines:
                entries[read.run.run_id] = read
        elif read.done == "trouble":
            trouble.append(read.detail)
    return sorted(entries.values(), key=lambda entry: (entry.run.began_ns, entry.run.run_id)), trouble


def entry_from(view: RunView, path: Path) -> Entry:
    """Return what the ledger keeps of a run, judged by the rules on hand."""
    findings, verdict = judged(view)
    return entry_of(view, findings, verdict, folder=str(path))


def judged(view: RunView) -> tuple[tuple[Finding, ...], Verdict]:
    """Return all judgements of a run and what they fold to, as for its certificate but without making one."""
    findings = judge_all(view, _criteria(view.opened.plan.plugins))
    return findings, fold(view, findings)


@lru_cache(maxsize=8)
def _criteria(switched_on: tuple[str, ...]) -> dict[str, Criterion]:
    return criteria_of(everything(switched_on))
