"""``burnin bundle``: a run in one file, to attach to its order; or a customer's copy of it."""

from __future__ import annotations

import argparse
import io
import re
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO, Final

from burnin.cli.outcome import (
    CERTIFICATE,
    JOURNAL,
    Outcome,
    RunSource,
    judge_view,
    source_of,
    write_whole,
)
from burnin.cli.redaction import redacted_journal
from burnin.cli.screen import say, say_json
from burnin.cli.seal_key import key_of
from burnin.cli.sealing import SEAL, seal_run
from burnin.errors import InputError
from burnin.journal.bundle import make_bundle
from burnin.journal.embedded import sealed_digest, take_seal
from burnin.journal.keys import SigningKey, fingerprint
from burnin.journal.reader import read_run_from
from burnin.journal.seal import SealedRun
from burnin.journal.verify import verify_journal, verify_seal
from burnin.records.view import RunView

_NO_NAME: Final = re.compile(r"[^A-Za-z0-9._-]")


def bundle(options: argparse.Namespace) -> int:
    """Write the bundle; return 0."""
    key = key_of(options)
    source = source_of(options.run)
    journal = _redacted(source) if options.for_customer else _whole(source)
    outcome = _sealed(source, journal, key, redacted=options.for_customer)
    data = make_bundle({JOURNAL: journal, **outcome.files, SEAL: outcome.seal})
    run_id = outcome.view.opened.run_id
    name = _file_name(run_id) + ("-customer.zip" if options.for_customer else ".zip")
    path = Path(options.out or name)
    path = path / name if path.is_dir() else path
    write_whole(path, data)
    signed = b'"signature":' in outcome.seal
    if options.json:
        say_json({"run_id": run_id, "file": str(path), "size_bytes": len(data), "signed": signed})
        return 0
    say(f"{path} ({len(data) / 1e6:.2f} MB)")
    if not signed:
        say(
            "Not signed, as there is no key (burnin seal-key makes one): its seal shows accidental damage only."
        )
    if options.for_customer:
        say("Hardware addresses, serial numbers of drives and the customer's name were left out.")
    return 0


def _file_name(run_id: str) -> str:
    """Return a run's id as the beginning of a file's name: it comes from the journal, and may be anything."""
    return _NO_NAME.sub("_", run_id)[:100].lstrip(".") or "run"


def _whole(source: RunSource) -> bytes:
    with source.journal() as stream:
        return stream.read()


def _redacted(source: RunSource) -> bytes:
    with source.journal() as stream:
        journal = redacted_journal(stream)
    before, after = judge_view(source.view()).verdict, judge_view(_view(journal)).verdict
    if (before.standing, before.exit_code) != (after.standing, after.exit_code):
        raise InputError(
            f"{source.path}: without the names the run would come to '{after.standing}' instead of '{before.standing}'",
            slug="bundle-redaction",
            hint="No customer's copy can be made of this run; give the whole bundle, or the certificate alone.",
        )
    return journal


def _view(journal: bytes) -> RunView:
    return read_run_from(io.BytesIO(journal), name=JOURNAL)


def _sealed(source: RunSource, journal: bytes, key: SigningKey | None, *, redacted: bool) -> Outcome:
    """Return everything that belongs to the run, sealed: anew, or as the certificate beside the journal is."""
    view = _view(journal)
    if view.closed is None:
        raise InputError(
            f"{source.path}: the run was never closed; expected a finished one",
            slug="bundle-open",
            hint="Close runs that were cut off with 'burnin recover'.",
        )
    if key is None and not redacted:
        kept = _kept(source, journal)
        if kept is not None:
            return kept

    def opener() -> BinaryIO:
        return io.BytesIO(journal)

    outcome = judge_view(view, signer=fingerprint(key.public_hex) if key else "")
    page, seal = seal_run(opener, view.opened, outcome.files, key)
    if not seal:
        raise InputError(
            f"{source.path}: the journal is damaged; expected a whole one",
            slug="seal-damaged",
            hint="Only a whole journal is sealed. 'burnin verify' says what is damaged.",
        )
    return replace(outcome, certificate=page, seal=seal)


def _kept(source: RunSource, journal: bytes) -> Outcome | None:
    """Return the run with the seal it has, if that is a signed one that fits it still."""
    sealed, page, data = _present_seal(source)
    if sealed is None or sealed.signature is None:
        return None
    outcome = judge_view(_view(journal), signer=fingerprint(sealed.signature.public_key))
    digests = {name: sealed_digest(content) for name, content in outcome.files.items()}
    checks = verify_journal(io.BytesIO(journal), sealed.seal)
    if digests != sealed.seal.files or any(check.outcome != "ok" for check in checks):
        return None
    return replace(outcome, certificate=page, seal=data)


def _present_seal(source: RunSource) -> tuple[SealedRun | None, bytes, bytes]:
    if source.bundle is not None:
        if CERTIFICATE not in source.bundle.names:
            return None, b"", b""
        page, data = source.bundle.read(CERTIFICATE), source.bundle.read(SEAL)
    else:
        beside = source.path.parent / CERTIFICATE
        page = beside.read_bytes() if beside.is_file() else b""
        data = take_seal(page)[1]
    sealed, checks = verify_seal(data) if data else (None, ())
    return (None if any(check.outcome == "changed" for check in checks) else sealed), page, data
