"""Errors a user can act on: what was found, what was expected, what to do.

Every error carries a slug with an entry in ``docs/messages.md``. A fault of the machine under test is never an
exception: it is data in the journal.
"""

from __future__ import annotations

from collections.abc import Iterable


class BurninError(Exception):
    """An error with a plain message, a slug and a hint.

    Args:
        message: What happened, in plain words, with the file and place where that is known.
        slug: Key of the entry in ``docs/messages.md``.
        hint: What the user can do next; empty when the message already says it.
    """

    def __init__(self, message: str, *, slug: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.slug = slug
        self.hint = hint


class InputError(BurninError):
    """Bad input from the user: a file, an option or an answer (exit code 2)."""


class Problem:
    """One thing wrong in an input file (a plain class: this module is loaded by ``burnin --help``).

    Attributes:
        place: Key path or line, for example ``stages[2].duration_s`` or ``line 7``.
        found: What stands there.
        expected: What may stand there.
    """

    __slots__ = ("expected", "found", "place")

    def __init__(self, *, place: str, found: str, expected: str) -> None:
        self.place = place
        self.found = found
        self.expected = expected

    def __str__(self) -> str:
        return f"{self.place}: found {self.found}; expected {self.expected}"


class InputProblems(InputError):
    """Every problem of one input file, reported together.

    Args:
        file: The file's name as the user gave it.
        problems: All problems found, in file order; at least one.
        slug: Key of the entry in ``docs/messages.md``.
        hint: What the user can do next.
    """

    def __init__(self, file: str, problems: Iterable[Problem], *, slug: str, hint: str = "") -> None:
        self.file = file
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{file}: {problem}" for problem in self.problems), slug=slug, hint=hint)


class ParseError(BurninError):
    """Bytes or text from a machine that do not have the expected form.

    Args:
        what: The kind of record, for example ``EDID base block``.
        offset: Byte offset (binary) or line number from 1 (text), None where neither applies.
        field: The field being read.
        found: What stands there.
        expected: What may stand there.
    """

    def __init__(
        self, what: str, *, field: str, found: str, expected: str, offset: int | None = None
    ) -> None:
        self.what = what
        self.offset = offset
        self.field = field
        where = "" if offset is None else f" at {offset}"
        super().__init__(f"{what}, {field}{where}: found {found}; expected {expected}", slug="parse")


class Unreadable(BurninError):
    """Something on the machine could not be read; the message is the reason shown to people."""

    def __init__(self, path: str, reason: str) -> None:
        super().__init__(f"{path}: {reason}", slug="unreadable")
        self.path = path
        self.reason = reason
