"""Prints. A terminal that has gone away never stops a run."""

from __future__ import annotations

import contextlib
import shutil
import sys
import textwrap
from collections.abc import Iterator
from typing import TextIO

from burnin.records.codec import to_json


def say(text: str = "", *, stream: TextIO | None = None) -> None:
    """Print one line of text for people, broken between words on a terminal; lost when nobody is there to read it."""
    target = stream or sys.stdout
    with contextlib.suppress(OSError, ValueError):
        print(_broken(text) if target.isatty() else text, file=target, flush=True)


def _broken(text: str) -> str:
    width = shutil.get_terminal_size().columns
    if len(text) <= width or "\n" in text:
        return text
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    return textwrap.fill(
        text, width=width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


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
