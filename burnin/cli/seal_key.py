"""``burnin seal-key``: makes the workshop's signing key; and the key that other commands sign with."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from burnin.cli.paperwork import config_folder
from burnin.cli.screen import say, say_json
from burnin.errors import InputError
from burnin.journal.keys import SigningKey, create_key, fingerprint, load_key

KEY_NAME: Final = "seal-key.pem"


def seal_key(options: argparse.Namespace) -> int:
    """Make a key in a new file that only its owner can read; print its fingerprint."""
    path = Path(options.out) if options.out else default_key()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{path.parent}: {(error.strerror or 'cannot be made').lower()}; expected a folder for the key",
            slug="key-not-writable",
            hint="Name a file in a folder you may write in.",
        ) from None
    key = create_key(path)
    shown = fingerprint(key.public_hex)
    if options.json:
        say_json({"file": str(path), "public_key": key.public_hex, "fingerprint": shown})
        return 0
    say(f"Key written: {path} (readable by its owner alone). Keep a copy in a safe place; give it to nobody.")
    say(f"Fingerprint: {shown}")
    say("Publish the fingerprint where customers can find it apart from their certificates.")
    return 0


def default_key() -> Path:
    """Return where the workshop's key is looked for."""
    return config_folder() / KEY_NAME


def key_of(options: argparse.Namespace) -> SigningKey | None:
    """Return the key to sign with: the one asked for, else the user's own, else None.

    Raises:
        InputError: the key asked for, or the user's own, cannot be used.
        BurninError: there is a key, but the library for signatures is not installed.
    """
    if options.key:
        return load_key(Path(options.key))
    own = default_key()
    return load_key(own) if own.exists() else None
