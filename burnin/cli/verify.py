"""``burnin verify``: what a document, a journal, a run's folder or a bundle shows about itself, offline."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import Any, Final

from burnin.cli.checking import Report, check_exhibit, exhibit_of
from burnin.cli.screen import say, say_json
from burnin.errors import BurninError, InputError
from burnin.journal.keys import can_sign, fingerprint
from burnin.journal.verify import Check
from burnin.report.words import shown_text

_DIGITS: Final = re.compile(r"[0-9a-f]{64}")
_WHAT: Final = {
    "journal": "Worked out anew from the journal: chain, findings, verdict, and every document byte by byte.",
    "findings": "Checked without the journal: only that it is unchanged since it was sealed, and that its findings fold to its verdict.",
    "nothing": "The verdict was not worked out anew",
}
_UNSIGNED: Final = (
    "Not signed: this shows accidental damage only, not a forgery by somebody who makes a new seal."
)
_NO_SEAL: Final = (
    "No seal: this shows accidental damage only, not a forgery by somebody who can rewrite all of it."
)


def verify(options: argparse.Namespace) -> int:
    """Return 0 when nothing was changed, 1 when something was or the key is another one."""
    known = _fingerprint(options.key) if options.key else ""
    report = check_exhibit(exhibit_of(Path(options.file)), known_fingerprint=known)
    code = int(bool(report.changed))
    if options.json:
        say_json(_as_json(report))
        return code
    for check in report.changed:
        say(f"DIFFERS: {check_text(check)}")
    if not report.changed:
        say(_good_text(report))
    for line in _lines(report):
        say(line)
    return code


def _fingerprint(text: str) -> str:
    bare = re.sub(r"[\s:]", "", text).lower()
    if not _DIGITS.fullmatch(bare):
        raise InputError(
            f"--key {text}: found no fingerprint; expected 64 hex digits, spaces allowed",
            slug="verify-fingerprint",
            hint="Copy the fingerprint as the workshop publishes it; 'burnin seal-key' printed it.",
        )
    if not can_sign():
        raise BurninError(
            "--key cannot be compared: the library 'cryptography' is not installed, so signatures are not checked",
            slug="seal-extra",
            hint="Install the extra: pip install 'burnin[seal]'.",
        )
    return bare


def check_text(check: Check) -> str:
    """Return one thing that differs, in words."""
    place = f"{check.subject}: {check.place}" if check.place else check.subject
    words = []
    if check.found or check.expected:
        words.append(f"found {check.found or 'nothing'}; expected {check.expected or 'nothing'}")
    if check.note:
        words.append(check.note)
    return shown_text(f"{place}: {'; '.join(words)}" if words else place)


def _good_text(report: Report) -> str:
    if report.basis == "journal":
        return "Unchanged. The journal's chain is whole, and the documents follow from it."
    if report.basis == "nothing":
        return "Unchanged since it was sealed."
    return "Unchanged, and its findings fold to its verdict."


def _lines(report: Report) -> list[str]:
    """Return what kind of check it was, the verdict, and what it cannot show."""
    what = _WHAT[report.basis]
    lines = [f"{what}: {report.no_recount}." if report.basis == "nothing" else what]
    if report.verdict:
        lines.append(f"Verdict: {report.verdict}")
    if report.outcome is not None and report.outcome.view.opened.redacted_from:
        lines.append(
            "A customer's copy: what names the customer, hardware addresses and drives' serial numbers were left out "
            f"before it was sealed. The original's head hash is {report.outcome.view.opened.redacted_from}."
        )
    lines.append(_signature_text(report))
    if report.sealed is not None and report.sealed.seal.attempts:
        attempts = report.sealed.seal.attempts
        earlier = ", ".join(shown_text(run.standing.replace("_", " ")) for run in attempts)
        lines.append(f"Attempt {len(attempts) + 1} on this serial number; earlier: {earlier}.")
    lines.append("All dates are those of the machine's own clock.")
    return lines


def _signature_text(report: Report) -> str:
    if report.sealed is None:
        return _NO_SEAL
    if report.sealed.signature is None:
        return _UNSIGNED
    return next(check.note for check in report.checks if check.subject == "signature")


def signature_word(report: Report) -> str:
    """Return how the signature stands: ``good``, ``bad``, ``unknown key``, ``not checked`` or ``none``."""
    if report.sealed is None or report.sealed.signature is None:
        return "none"
    check = next(check for check in report.checks if check.subject == "signature")
    words = {"ok": "good", "changed": "bad", "unknown_key": "unknown key"}
    return words.get(check.outcome, "not checked")


def _as_json(report: Report) -> dict[str, Any]:
    sealed, outcome = report.sealed, report.outcome
    integrity = outcome.view.integrity if outcome else None
    seal = sealed.seal if sealed else None
    signature = sealed.signature if sealed else None
    return {
        "same": not report.changed,
        "trouble": [check_text(check) for check in report.changed],
        "basis": report.basis,
        "verdict": report.verdict,
        "no_recount": report.no_recount,
        "lines": integrity.lines if integrity else seal.lines if seal else 0,
        "head_sha256": integrity.head_sha256 if integrity else seal.head_sha256 if seal else "",
        "sealed": sealed is not None,
        "signature": signature_word(report),
        "fingerprint": fingerprint(signature.public_key) if signature else "",
        "redacted_from": outcome.view.opened.redacted_from if outcome else "",
        "earlier": [
            {"run_id": run.run_id, "standing": run.standing, "date": run.date} for run in seal.attempts
        ]
        if seal
        else [],
    }
