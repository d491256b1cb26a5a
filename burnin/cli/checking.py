"""What there is to check, and everything that can be found out about it: seal, signature, journal, documents, verdict."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, Final, Literal

from burnin import __version__
from burnin.cli.outcome import CERTIFICATE, JOURNAL, RESULT, Outcome, judge_view
from burnin.cli.refold import refold
from burnin.cli.sealing import SEAL, take_result
from burnin.errors import InputError
from burnin.journal.bundle import Bundle, looks_like_bundle, open_bundle
from burnin.journal.differences import json_differences
from burnin.journal.embedded import sealed_digest, take_seal
from burnin.journal.keys import fingerprint
from burnin.journal.reader import open_journal, read_run_from
from burnin.journal.seal import Seal, SealedRun
from burnin.journal.verify import Check, verify_files, verify_journal, verify_seal
from burnin.report.text import verdict_line

Basis = Literal["journal", "findings", "nothing"]
Open = Callable[[], BinaryIO]
_MOST_BYTES: Final = 64 << 20
_SEALED_ELSEWHERE: Final = "no seal beside it"


@dataclass(frozen=True, kw_only=True)
class Exhibit:
    """What is to be checked.

    Attributes:
        name: What messages call it.
        files: Its documents, by the names a seal knows them by.
        seal: The seal, empty for none.
        journal: Opens the journal, None where there is none.
        complete: True for a bundle, in which every file of the seal must be.
        checks: What was found out when it was opened.
    """

    name: str
    files: dict[str, bytes]
    seal: bytes = b""
    journal: Open | None = None
    complete: bool = False
    checks: tuple[Check, ...] = ()


@dataclass(kw_only=True)
class Report:
    """What checking showed.

    Attributes:
        checks: One by one.
        sealed: The seal, None for none or an unreadable one.
        basis: What the verdict below rests on.
        verdict: The verdict in words, worked out anew; empty where it could not be.
        outcome: Everything worked out anew from the journal, None without one.
        no_recount: Why the verdict was not worked out anew; empty where it was.
    """

    checks: list[Check] = field(default_factory=list)
    sealed: SealedRun | None = None
    basis: Basis = "nothing"
    verdict: str = ""
    outcome: Outcome | None = None
    no_recount: str = ""

    @property
    def changed(self) -> list[Check]:
        """The checks that failed."""
        return [check for check in self.checks if check.outcome in {"changed", "unknown_key"}]


def exhibit_of(path: Path) -> Exhibit:
    """Return what there is at ``path``: a folder, a bundle, a journal, a certificate or a result.

    Raises:
        InputError: nothing is there, or nothing that can be checked.
    """
    if not path.exists():
        raise InputError(
            f"{path}: not there; expected a certificate, a result, a journal, a run's folder or a bundle",
            slug="run-missing",
        )
    if path.is_file() and looks_like_bundle(path):
        return _bundle(path)
    if path.is_dir() or path.name.endswith(".jsonl"):
        return _folder(path)
    return _document(path)


def _bundle(path: Path) -> Exhibit:
    try:
        bundle, checks = open_bundle(path), list[Check]()
    except InputError as error:
        bundle, checks = _changed_bundle(path, error)
    files = {}
    for name in bundle.names:
        try:
            files[name] = bundle.read(name)
        except InputError as error:
            checks.append(Check(subject=name, outcome="changed", note=error.message))
    journal = files.pop(JOURNAL, None)
    return Exhibit(
        name=str(path),
        seal=files.pop(SEAL, b""),
        files=files,
        journal=None if journal is None else lambda: io.BytesIO(journal),
        complete=True,
        checks=tuple(checks),
    )


def _changed_bundle(path: Path, error: InputError) -> tuple[Bundle, list[Check]]:
    """Return a bundle whose bytes were changed, to say where; one that cannot be opened at all is refused."""
    if error.slug != "bundle-bad":
        raise error
    try:
        bundle = open_bundle(path, as_it_is=True)
    except InputError:
        raise error from None
    return bundle, [Check(subject="bundle", outcome="changed", note=error.message)]


def _folder(path: Path) -> Exhibit:
    folder = path if path.is_dir() else path.parent
    journal = folder / JOURNAL if path.is_dir() else path
    open_journal(journal).close()
    there = [name for name in (CERTIFICATE, RESULT) if (folder / name).is_file()]
    files = {name: _read(folder / name) for name in there}
    seal = take_seal(files.get(CERTIFICATE, b""))[1]
    return Exhibit(name=str(path), files=files, seal=seal, journal=lambda: open_journal(journal))


def _document(path: Path) -> Exhibit:
    name = RESULT if path.name.endswith(".json") else CERTIFICATE
    data = _read(path)
    beside = path.parent / CERTIFICATE
    holder = data if name == CERTIFICATE else _read(beside) if beside.is_file() else b""
    journal = path.parent / JOURNAL
    opener = (lambda: open_journal(journal)) if journal.is_file() else None
    return Exhibit(name=str(path), files={name: data}, seal=take_seal(holder)[1], journal=opener)


def _read(path: Path) -> bytes:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError(
                f"{path}: found more than {_MOST_BYTES >> 20} MiB; expected a certificate or a result",
                slug="verify-unreadable",
            )
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{path}: {(error.strerror or 'cannot be read').lower()}; expected a certificate or a result",
            slug="verify-unreadable",
        ) from None


def check_exhibit(exhibit: Exhibit, *, known_fingerprint: str = "") -> Report:
    """Return everything that can be found out.

    Args:
        exhibit: What is checked.
        known_fingerprint: Fingerprint of the workshop's key as obtained elsewhere; empty for none.

    Raises:
        InputError: what is called a journal is none.
    """
    report = Report(checks=list(exhibit.checks))
    if exhibit.seal:
        report.sealed, checks = verify_seal(exhibit.seal, known_fingerprint=known_fingerprint)
        report.checks += checks
    elif exhibit.journal is None and CERTIFICATE in exhibit.files:
        report.checks.append(
            Check(subject="seal", outcome="changed", found="no seal", expected="a seal in its place")
        )
    elif known_fingerprint:
        report.checks.append(
            Check(subject="signature", outcome="unknown_key", found="no seal", expected=known_fingerprint)
        )
    if exhibit.journal is not None:
        _check_journal(exhibit, exhibit.journal, report)
    else:
        _check_alone(exhibit, report)
    return report


def _check_journal(exhibit: Exhibit, journal: Open, report: Report) -> None:
    """Hold journal and documents against the seal, and against what the journal comes to."""
    seal = report.sealed.seal if report.sealed else None
    if seal is not None:
        with journal() as stream:
            report.checks += verify_journal(stream, seal)
        if not exhibit.complete:
            report.checks += _named(exhibit.files, seal)
        else:
            report.checks += verify_files(exhibit.files, seal)
    if any(check.subject == "journal" for check in report.changed):
        report.no_recount = "the journal was changed"
        return
    try:
        with journal() as stream:
            view = read_run_from(stream, name=exhibit.name)
    except InputError as error:
        if seal is None:
            raise
        report.no_recount = error.message
        return
    integrity = view.integrity
    if integrity.trouble or integrity.dropped_bytes:
        trouble = f"{integrity.trouble} ({integrity.dropped_bytes} bytes after the last good line)"
        report.checks.append(
            Check(subject="journal", outcome="changed", found=trouble, expected="a whole journal")
        )
    outcome = judge_view(view, signer=_signer(report.sealed))
    report.outcome, report.basis = outcome, "journal"
    report.verdict = verdict_line(outcome.verdict, outcome.findings)
    _compare(exhibit.files, outcome, report)


def _named(files: Mapping[str, bytes], seal: Seal) -> tuple[Check, ...]:
    return tuple(check for check in verify_files(files, seal) if check.subject in files)


def _signer(sealed: SealedRun | None) -> str:
    signature = sealed.signature if sealed else None
    return fingerprint(signature.public_key) if signature else ""


def _compare(files: Mapping[str, bytes], outcome: Outcome, report: Report) -> None:
    """Name the place in each document that is not what the journal gives; it says more than a digest that differs."""
    for name, found in files.items():
        expected = outcome.files.get(name)
        if expected is None or sealed_digest(found) == sealed_digest(expected):
            continue
        told = list(_differences(name, take_seal(found)[0], take_seal(expected)[0]))
        report.checks = [check for check in report.checks if check.subject != name]
        report.checks += [replace(check, note=_version_note(outcome)) for check in told]


def _version_note(outcome: Outcome) -> str:
    made = outcome.view.opened.software.burnin
    if made == __version__:
        return ""
    return f"the run was made with version {made}, this is {__version__}, which may word it otherwise"


def _differences(name: str, found: bytes, expected: bytes) -> Iterator[Check]:
    problems = json_differences(found, expected) if name.endswith(".json") else ()
    for problem in problems[:10]:
        yield Check(
            subject=name,
            outcome="changed",
            place=problem.place,
            found=problem.found,
            expected=problem.expected,
        )
    if not problems:
        yield _line_difference(name, found, expected)


def _line_difference(name: str, found: bytes, expected: bytes) -> Check:
    place = next(
        (at for at, (a, b) in enumerate(zip(found, expected, strict=False)) if a != b),
        min(len(found), len(expected)),
    )
    number = found[:place].count(b"\n") + 1
    return Check(
        subject=name,
        outcome="changed",
        place=f"line {number}",
        found=_around(found, place),
        expected=f"{_around(expected, place)}, as the journal gives",
    )


def _around(data: bytes, place: int) -> str:
    start = max(data.rfind(b"\n", 0, place) + 1, place - 30)
    text = data[start : place + 40].split(b"\n")[0] if place < len(data) else b""
    return repr(text.decode("utf-8", "replace")) if text else "nothing"


def _check_alone(exhibit: Exhibit, report: Report) -> None:
    """Check a document without its journal: its digest, and that its findings fold to its verdict."""
    seal = report.sealed.seal if report.sealed else None
    if seal is not None:
        report.checks += _named(exhibit.files, seal)
    page = exhibit.files.get(CERTIFICATE)
    result = exhibit.files.get(RESULT, b"") if page is None else take_result(page)
    if seal is not None and page is not None:
        report.checks += _inner_result(result, seal, report)
    elif seal is None and page is None:
        report.checks.append(Check(subject="seal", outcome="not_checked", note=_SEALED_ELSEWHERE))
    folded = refold(result)
    report.checks.append(folded.check)
    if folded.line:
        report.basis, report.verdict = "findings", folded.line
    else:
        report.no_recount = "the findings cannot be read"


def _inner_result(result: bytes, seal: Seal, report: Report) -> list[Check]:
    """Say of a changed page whether it is the findings that were changed."""
    same = sealed_digest(result) == seal.files.get(RESULT)
    if not same:
        return [
            Check(
                subject=CERTIFICATE, outcome="changed", place="the findings inside it", note="not as sealed"
            )
        ]
    changed = any(check.subject == CERTIFICATE for check in report.changed)
    note = "The findings inside are as sealed; what was changed is elsewhere on the page."
    return [Check(subject="findings inside", outcome="ok", note=note if changed else "")]
