"""Prints. A terminal that has gone away never stops a run, and text from files and machines cannot steer one."""

from __future__ import annotations

import contextlib
import shutil
import sys
import textwrap
from collections.abc import Iterator
from typing import Final, TextIO

from burnin.records.codec import to_json

_STEERING: Final = {code: "\ufffd" for code in (*range(32), *range(127, 160)) if chr(code) not in "\n\t"}
"""Characters that terminals obey (ISO/IEC 6429: C0 but newline and tab, delete, C1)."""


def say(text: str = "", *, stream: TextIO | None = None) -> None:
    """Print one line of text for people, broken between words on a terminal; lost when nobody is there to read it."""
    target, text = stream or sys.stdout, text.translate(_STEERING)
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
