"""Reads a TOML file into a record, or says everything that is wrong with it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final, TypeVar

import msgspec

from burnin.errors import InputError, InputProblems, Problem
from burnin.plan.check import problems_of
from burnin.records.codec import sha256_hex

T = TypeVar("T")
MOST_BYTES: Final = 1 << 20


def read_bytes(path: Path, what: str) -> bytes:
    """Return a file's bytes.

    Args:
        path: The file.
        what: What it should be, for messages ("plan").

    Raises:
        InputError: it is absent, a folder, unreadable, empty or too large.
    """
    slug = f"{what.replace(' ', '-')}-unreadable"
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        hint = "Run: burnin catalog" if what in {"plan", "checklist"} else ""
        raise InputError(f"{path}: {reason}; expected {_a(what)} in TOML", slug=slug, hint=hint) from None
    if not data.strip():
        raise InputError(f"{path}: found an empty file; expected {_a(what)} in TOML", slug=slug)
    if len(data) > MOST_BYTES:
        raise InputError(
            f"{path}: found more than {MOST_BYTES >> 20} MiB; expected {_a(what)} in TOML", slug=slug
        )
    return data


def _a(what: str) -> str:
    return f"{'an' if what[0] in 'aeiou' else 'a'} {what}"


def parse_table(data: bytes, *, file: str, what: str) -> dict[str, Any]:
    """Return the table a TOML text holds.

    Raises:
        InputError: the bytes are no UTF-8 text.
        InputProblems: the text is no TOML.
    """
    slug = f"{what.replace(' ', '-')}-syntax"
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{file}: found a byte at offset {error.start} that is no UTF-8 text; expected {_a(what)} in TOML",
            slug=slug,
            hint=f"Check that this is the {what} and not another file.",
        ) from None
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        place, found = _syntax_place(str(error), text)
        raise InputProblems(
            file,
            [Problem(place=place, found=found, expected="TOML (key = value, [table], [[list of tables]])")],
            slug=slug,
        ) from None


def _syntax_place(message: str, text: str) -> tuple[str, str]:
    reason, _, place = message.partition(" (at ")
    if "\x00" in text:
        return "file", "binary data"
    return place.rstrip(")") or "file", reason[:1].lower() + reason[1:]


def convert(table: dict[str, Any], kind: type[T], *, file: str, what: str) -> T:
    """Return the record a table holds.

    Raises:
        InputProblems: every problem of its shape, together.
    """
    problems = list(problems_of(table, msgspec.inspect.type_info(kind)))
    if problems:
        raise InputProblems(file, problems, slug=f"{what.replace(' ', '-')}-invalid")
    return msgspec.convert(table, kind)


def read_record(path: Path, kind: type[T], *, what: str) -> tuple[T, str]:
    """Return the record of a TOML file and the digest of its bytes."""
    data = read_bytes(path, what)
    table = parse_table(data, file=str(path), what=what)
    return convert(table, kind, file=str(path), what=what), sha256_hex(data)
