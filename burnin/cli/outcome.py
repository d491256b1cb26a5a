"""From a journal to findings, verdict, sealed certificate and result: read, judged and written in one way everywhere."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, Final

from burnin.cli.equipment import criteria_of, everything
from burnin.cli.sealing import CERTIFICATE, RESULT, papers, put_result, seal_run
from burnin.criteria.verdict import fold, judge_all
from burnin.errors import InputError
from burnin.journal.bundle import Bundle, looks_like_bundle, open_bundle
from burnin.journal.keys import SigningKey, fingerprint
from burnin.journal.reader import open_journal, read_run
from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView
from burnin.report.render import render_certificate
from burnin.report.result import build_result

JOURNAL: Final = "journal.jsonl"

__all__ = ["CERTIFICATE", "JOURNAL", "RESULT"]  # the names of a run's files, all found here


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What a journal comes to.

    Attributes:
        view: The run.
        findings: All judgements.
        verdict: What they fold to.
        certificate: The page, with its seal inside once it is sealed.
        result: The machine-readable result.
        papers: Plan, order, checklist and software as files.
        seal: The seal, empty while there is none.
    """

    view: RunView
    findings: tuple[Finding, ...]
    verdict: Verdict
    certificate: bytes
    result: bytes
    papers: dict[str, bytes] = field(default_factory=dict)
    seal: bytes = b""

    @property
    def files(self) -> dict[str, bytes]:
        """Everything that follows from the journal and that the seal names, by name."""
        return {CERTIFICATE: self.certificate, RESULT: self.result, **self.papers}


@dataclass(frozen=True, kw_only=True)
class RunSource:
    """Where a run is read from.

    Attributes:
        path: The journal, or the bundle that holds it.
        bundle: The bundle, None for a journal of its own.
    """

    path: Path
    bundle: Bundle | None = None

    def view(self) -> RunView:
        """Return the run."""
        return read_run(self.path) if self.bundle is None else self.bundle.run()

    def journal(self) -> BinaryIO:
        """Return the journal, open for reading."""
        return open_journal(self.path) if self.bundle is None else io.BytesIO(self.bundle.read(JOURNAL))


def source_of(run: str) -> RunSource:
    """Return where the run is that ``run`` (a folder, a journal or a bundle) means.

    Raises:
        InputError: there is none, or the bundle cannot be opened.
    """
    path = Path(run)
    if path.is_file() and looks_like_bundle(path):
        return RunSource(path=path, bundle=open_bundle(path))
    return RunSource(path=journal_of(run))


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


def judge(journal: Path, key: SigningKey | None = None) -> Outcome:
    """Return everything that follows from a journal, sealed.

    Args:
        journal: The journal.
        key: What to sign with, None for an unsigned seal.

    Raises:
        InputError: it is no journal of a run.
    """
    return judge_source(RunSource(path=journal), key)


def judge_source(source: RunSource, key: SigningKey | None = None) -> Outcome:
    """Return everything that follows from a run's journal, sealed."""
    view = source.view()
    outcome = judge_view(view, signer=fingerprint(key.public_hex) if key else "")
    page, seal = seal_run(source.journal, view.opened, outcome.files, key)
    return replace(outcome, certificate=page, seal=seal)


def judge_view(view: RunView, *, signer: str = "") -> Outcome:
    """Return everything that follows from a run, not yet sealed; ``signer`` is the fingerprint the page prints."""
    findings = judge_all(view, criteria_of(everything(view.opened.plan.plugins)))
    verdict = fold(view, findings)
    result = build_result(view, findings, verdict)
    return Outcome(
        view=view,
        findings=findings,
        verdict=verdict,
        certificate=put_result(render_certificate(view, findings, verdict, signer=signer), result),
        result=result,
        papers=papers(view.opened),
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
