"""Prints. A terminal that has gone away never stops a run."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TextIO

from burnin.records.codec import to_json


def say(text: str = "", *, stream: TextIO | None = None) -> None:
    """Print one line of text for people; lost when nobody is there to read it."""
    with contextlib.suppress(OSError, ValueError):
        print(text, file=stream or sys.stdout, flush=True)


def aside(text: str) -> None:
    """Print one line on standard error."""
    say(text, stream=sys.stderr)


def say_json(value: object) -> None:
    """Print one JSON object on one line."""
    say(to_json(value).decode("utf-8"))


def is_terminal() -> bool:
    """Return whether standard output is a terminal that can be redrawn."""
    try:
        return sys.stdout.isatty()
    except ValueError:
        return False


@contextlib.contextmanager
def quiet_output(*, to_error: bool) -> Iterator[None]:
    """Send everything said for people to standard error while ``to_error`` (for ``--json``)."""
    if not to_error:
        yield
        return
    with contextlib.redirect_stdout(sys.stderr):
        yield
