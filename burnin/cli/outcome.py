"""From a journal to findings, verdict, certificate and result: read, judged and written in one way everywhere."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.cli.equipment import criteria_of, everything
from burnin.criteria.verdict import fold, judge_all
from burnin.errors import InputError
from burnin.journal.reader import read_run
from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.render import render_certificate
from burnin.report.result import build_result

JOURNAL: Final = "journal.jsonl"
CERTIFICATE: Final = "certificate.html"
RESULT: Final = "result.json"


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a journal comes to.

    Attributes:
        view: The run.
        findings: All judgements.
        verdict: What they fold to.
        certificate: The page.
        result: The machine-readable result.
    """

    view: RunView
    findings: tuple[Finding, ...]
    verdict: Verdict
    certificate: bytes
    result: bytes


def journal_of(run: str) -> Path:
    """Return the journal that ``run`` (a folder or a journal) means.

    Raises:
        InputError: there is none.
    """
    path = Path(run)
    journal = path / JOURNAL if path.is_dir() else path
    if not journal.is_file():
        raise InputError(
            f"{run}: found no {JOURNAL} there; expected a run's folder or its {JOURNAL}",
            slug="run-missing",
            hint="Name the folder that 'burnin accept' printed last.",
        )
    return journal


def judge(journal: Path) -> Outcome:
    """Return everything that follows from a journal.

    Raises:
        InputError: it is no journal of a run.
    """
    view = read_run(journal)
    findings = judge_all(view, criteria_of(everything(view.opened.plan.plugins)))
    verdict = fold(view, findings)
    return Outcome(
        view=view,
        findings=findings,
        verdict=verdict,
        certificate=render_certificate(view, findings, verdict),
        result=build_result(view, findings, verdict),
    )


def write_outcome(outcome: Outcome, folder: Path) -> None:
    """Write certificate and result: aside, synced, renamed; never half."""
    write_whole(folder / CERTIFICATE, outcome.certificate)
    write_whole(folder / RESULT, outcome.result)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all.

    Raises:
        InputError: it cannot be written.
    """
    aside = path.with_name(f".{path.name}.part")
    try:
        with aside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        reason = (error.strerror or "cannot be written").lower()
        raise InputError(
            f"{path}: {reason}; expected a place that can be written to",
            slug="output-unwritable",
            hint="Free some space or name another folder, then run: burnin certify RUN",
        ) from None
