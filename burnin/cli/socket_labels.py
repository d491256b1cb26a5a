"""What a workshop calls the sockets of a board, learnt once for each board model."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from burnin.cli.screen import say
from burnin.records.codec import from_json, to_pretty_json

_FILE: Final = "socket-labels.json"
_Labels = dict[str, dict[str, str]]


def data_folder() -> Path:
    """Return the folder of this user's data."""
    base = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(base) / "burnin"


def labels_of(board: str) -> dict[str, str]:
    """Return socket to label for a board model; empty where none was learnt."""
    return _all().get(board, {})


def learn(board: str, socket: str, label: str) -> None:
    """Keep what a socket of a board model is called; said when it cannot be kept."""
    every = _all()
    every.setdefault(board, {})[socket] = label
    try:
        data_folder().mkdir(parents=True, exist_ok=True)
        (data_folder() / _FILE).write_bytes(to_pretty_json(every))
    except OSError:
        say("(This label could not be kept; it will be asked again.)")


def _all() -> _Labels:
    try:
        return from_json((data_folder() / _FILE).read_bytes(), _Labels)
    except (OSError, ValueError):
        return {}
