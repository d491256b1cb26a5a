"""Reads a journal: every line up to the first bad one, chain and checksums verified, in constant memory."""

from __future__ import annotations

import dataclasses
import io
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, NoReturn

from burnin.errors import InputError, InputProblems, Problem
from burnin.journal.assemble import assemble
from burnin.journal.frame import (
    JOURNAL_FORMAT,
    LONGEST_LINE,
    NO_LINE_BEFORE,
    BadLine,
    Line,
    decode_line,
    line_hash,
)
from burnin.journal.store import JOURNAL_NAME, Head
from burnin.records.events import RunOpened
from burnin.records.view import Integrity, RunView

_CHUNK: Final = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Damage:
    """Where and why reading stopped before the end.

    Attributes:
        number: Number of the line in the file, from 1 as editors count.
        offset: Byte offset of that line.
        bad: What is wrong with it.
        torn: True when it is the last thing in the file and has no end, as a cut-off write leaves it.
    """

    number: int
    offset: int
    bad: BadLine
    torn: bool

    def __str__(self) -> str:
        return f"line {self.number}: {self.bad}"


class JournalReader:
    """The good lines of a journal, drawn one by one; what is wrong stands in ``damage`` when they end.

    Args:
        source: The journal, open for reading bytes.
    """

    def __init__(self, source: BinaryIO) -> None:
        self._source = source
        self._seq, self._prev, self._size = 0, NO_LINE_BEFORE, 0
        self._dropped = 0
        self.damage: Damage | None = None

    @property
    def head(self) -> Head:
        """Where the good lines drawn so far end."""
        return Head(seq=self._seq, prev=self._prev, size=self._size)

    @property
    def integrity(self) -> Integrity:
        """State of the journal; complete once the lines are exhausted."""
        return Integrity(
            lines=self._seq,
            head_sha256=self._prev,
            dropped_bytes=self._dropped,
            trouble="" if self.damage is None else str(self.damage),
        )

    def __iter__(self) -> Iterator[Line]:
        rest = b""
        while chunk := self._source.read(_CHUNK):
            *lines, rest = (rest + chunk).split(b"\n")
            yield from self._good(lines)
            if self.damage is None and len(rest) > LONGEST_LINE:
                self._stop(_too_long(), torn=False)
            if self.damage is not None:
                self._dropped += sum(len(raw) + 1 for raw in self._left) + len(rest)
                self._count_rest()
                return
        if rest:
            self._stop(_no_end(rest), torn=True)
            self._dropped = len(rest)

    def _good(self, lines: list[bytes]) -> Iterator[Line]:
        self._left: list[bytes] = []
        for index, raw in enumerate(lines):
            good_size = len(raw) <= LONGEST_LINE
            line = decode_line(raw, seq=self._seq, prev=self._prev) if good_size else _too_long()
            if isinstance(line, BadLine):
                self._stop(line, torn=False)
                self._left = lines[index:]
                return
            self._seq += 1
            self._prev = line_hash(raw)
            self._size += len(raw) + 1
            yield line

    def _stop(self, bad: BadLine, *, torn: bool) -> None:
        self.damage = Damage(number=self._seq + 1, offset=self._size, bad=bad, torn=torn)

    def _count_rest(self) -> None:
        while chunk := self._source.read(_CHUNK):
            self._dropped += len(chunk)


def read_journal(source: Path | bytes | BinaryIO) -> tuple[list[Line], Integrity]:
    """Return all good lines of a journal and its state.

    Args:
        source: The journal's path, its bytes, or a stream of them.

    Raises:
        InputError: the file cannot be read.
    """
    if isinstance(source, Path):
        with open_journal(source) as stream:
            return read_journal(stream)
    reader = JournalReader(io.BytesIO(source) if isinstance(source, bytes) else source)
    return list(reader), reader.integrity


def read_run(path: Path) -> RunView:
    """Return the run whose folder or journal ``path`` names.

    Raises:
        InputError: the file cannot be read, or not even its first line is a run's.
    """
    with open_journal(path) as stream:
        return read_run_from(stream, name=str(path))


def read_run_from(stream: BinaryIO, *, name: str) -> RunView:
    """Return the run in a stream of a journal's bytes; ``name`` is what messages call it.

    Raises:
        InputError: not even the first line is a run's, or a line does not fit the run.
    """
    reader = JournalReader(stream)
    lines = iter(reader)
    first = _checked(next(lines, None), reader, name)
    view = assemble(itertools.chain((first,), lines), reader.integrity)
    return dataclasses.replace(view, integrity=reader.integrity)


def open_journal(path: Path) -> BinaryIO:
    """Return the journal of a run's folder, or the journal itself, open for reading.

    Raises:
        InputError: there is none, or it cannot be read.
    """
    file = path / JOURNAL_NAME if path.is_dir() else path
    if not file.is_file():
        raise InputError(
            f"{path}: found no journal; expected a run's folder or its {JOURNAL_NAME}",
            slug="journal-missing",
            hint="Name the folder that 'burnin accept' printed last.",
        )
    try:
        return file.open("rb")
    except OSError as error:
        raise InputError(
            f"{file}: cannot be read: {error.strerror}",
            slug="journal-unreadable",
            hint="Check the rights of the file and of its folder.",
        ) from error


def _checked(first: Line | None, reader: JournalReader, name: str) -> Line:
    """Return the first line, which must open a run this version can read."""
    if first is None:
        if reader.damage is None:
            _refuse(name, "line 1", "an empty file", "a journal, whose first line is run_opened")
        bad = reader.damage.bad
        _refuse(name, f"line 1, {bad.field}", bad.found, bad.expected)
    if not isinstance(first.event, RunOpened):
        _refuse(name, "line 1", f"event of kind {type(first.event).__name__}", "the event run_opened")
    if first.event.journal_format > JOURNAL_FORMAT:
        _refuse(name, "line 1", f"journal format {first.event.journal_format}", f"{JOURNAL_FORMAT} or less")
    return first


def _refuse(name: str, place: str, found: str, expected: str) -> NoReturn:
    raise InputProblems(
        name,
        [Problem(place=place, found=found, expected=expected)],
        slug="journal-bad",
        hint=f"Name a run's folder or its {JOURNAL_NAME}, as written by this program and not edited.",
    )


def _too_long() -> BadLine:
    return BadLine(field="line", found=f"more than {LONGEST_LINE} bytes", expected="a shorter line")


def _no_end(rest: bytes) -> BadLine:
    return BadLine(
        field="line", found=f"{len(rest)} bytes without an end", expected="a newline after the last line"
    )
