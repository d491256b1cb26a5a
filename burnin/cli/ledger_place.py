"""Which ledger is meant, and what is on hand when it is opened."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from burnin.ledger.database import open_database
from burnin.ledger.store import Ledger

VARIABLE: Final = "BURNIN_LEDGER"


def data_folder() -> Path:
    """Return the folder of this user's data (XDG Base Directory Specification)."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "burnin"


def ledger_url(url: str | None) -> str:
    """Return the ledger asked for: the option, else the environment, else the file in the user's data folder."""
    return url or os.environ.get(VARIABLE) or str(data_folder() / "ledger.sqlite3")


def open_ledger(url: str | None) -> Ledger:
    """Return the ledger, made when it is not there.

    Raises:
        InputError: it cannot be opened.
    """
    return Ledger(open_database(ledger_url(url)))
