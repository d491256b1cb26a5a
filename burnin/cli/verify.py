"""``burnin verify``: holds a document against the journal it claims to come from."""

from __future__ import annotations

import argparse
from pathlib import Path

from burnin.cli.outcome import CERTIFICATE, RESULT, journal_of, judge
from burnin.cli.screen import say, say_json
from burnin.errors import InputError
from burnin.report.text import verdict_line


def verify(options: argparse.Namespace) -> int:
    """Return 0 when the documents follow from the journal and its chain is whole, 1 when they differ."""
    path = Path(options.file)
    journal = journal_of(str(path if path.is_dir() or path.name.endswith(".jsonl") else path.parent))
    if not path.exists():
        raise InputError(
            f"{path}: not there; expected a certificate, a result, a journal or a run's folder",
            slug="run-missing",
        )
    outcome = judge(journal)
    trouble = _journal_trouble(outcome.view.integrity.trouble, outcome.view.integrity.dropped_bytes)
    trouble += _document_trouble(
        path, journal.parent, {CERTIFICATE: outcome.certificate, RESULT: outcome.result}
    )
    line = verdict_line(outcome.verdict, outcome.findings)
    if options.json:
        say_json(
            {
                "same": not trouble,
                "trouble": trouble,
                "verdict": line,
                "lines": outcome.view.integrity.lines,
                "head_sha256": outcome.view.integrity.head_sha256,
                "signature": "not checked",
            }
        )
        return int(bool(trouble))
    for each in trouble:
        say(f"DIFFERS: {each}")
    if not trouble:
        say("The journal's chain is whole, and the documents follow from it.")
    say(f"Verdict worked out anew from the journal: {line}")
    say(
        "No signature was checked: this shows accidental damage, not a forgery by somebody who can rewrite the journal."
    )
    return int(bool(trouble))


def _journal_trouble(trouble: str, dropped: int) -> list[str]:
    if not trouble and not dropped:
        return []
    return [f"journal: {trouble or 'not read to its end'} ({dropped} bytes after the last good line)"]


def _document_trouble(path: Path, folder: Path, made: dict[str, bytes]) -> list[str]:
    paths = (
        [path] if path.is_file() and not path.name.endswith(".jsonl") else [folder / name for name in made]
    )
    trouble = []
    for each in paths:
        wanted = made[RESULT] if each.suffix == ".json" else made[CERTIFICATE]
        if each.exists() and each.read_bytes() != wanted:
            trouble.append(f"{each.name}: {_first_difference(each.read_bytes(), wanted)}")
    return trouble


def _first_difference(found: bytes, wanted: bytes) -> str:
    place = next(
        (at for at, (a, b) in enumerate(zip(found, wanted, strict=False)) if a != b),
        min(len(found), len(wanted)),
    )
    number = found[:place].count(b"\n") + 1
    here = found.split(b"\n")[number - 1][:80].decode("utf-8", "replace")
    return f"line {number} is not what the journal gives: '{here}'"
