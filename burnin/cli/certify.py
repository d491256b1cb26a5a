"""``burnin certify``: certificate and result again from a journal."""

from __future__ import annotations

import argparse
from pathlib import Path

from burnin.cli.outcome import CERTIFICATE, RESULT, judge_source, source_of, write_outcome
from burnin.cli.screen import say, say_json
from burnin.cli.seal_key import key_of
from burnin.errors import InputError
from burnin.report.text import verdict_line


def certify(options: argparse.Namespace) -> int:
    """Write certificate and result; return 0, whatever the verdict: the document was made."""
    key = key_of(options)
    source = source_of(options.run)
    if source.bundle is not None and not options.out:
        raise InputError(
            f"{options.run}: is a bundle; expected --out DIR, a folder to write to",
            slug="certify-bundle",
            hint="A bundle is never written into. Add --out with the name of a folder.",
        )
    outcome = judge_source(source, key)
    folder = Path(options.out) if options.out else source.path.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"--out {folder}: {(error.strerror or 'cannot be made').lower()}; expected a folder",
            slug="out-unwritable",
        ) from None
    write_outcome(outcome, folder)
    if options.json:
        say_json(
            {
                "run_id": outcome.view.opened.run_id,
                "standing": outcome.verdict.standing,
                "certificate": str(folder / CERTIFICATE),
                "result": str(folder / RESULT),
            }
        )
        return 0
    say(verdict_line(outcome.verdict, outcome.findings))
    say(str(folder / CERTIFICATE))
    return 0
