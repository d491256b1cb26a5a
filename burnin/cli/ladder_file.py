"""A tuning ladder on disk: one file, only ever appended to, each line safe before the next planned thing happens."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import msgspec

from burnin.calc.sequential import RatePlan
from burnin.cli.ledger_place import data_folder
from burnin.errors import BurninError, InputError, InputProblems, Problem
from burnin.records.base import LooseRecord
from burnin.records.codec import to_json
from burnin.review.ladder import Rung

_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
FORMAT: Final = 1


class LadderLine(LooseRecord, tag_field="kind", frozen=True, kw_only=True):
    """Base of a line."""


class LadderBegun(LadderLine, tag="ladder", frozen=True, kw_only=True):
    """First line: how rungs are judged, and the workshop's margin."""

    format: int
    name: str
    good_per_h: float
    bad_per_h: float
    risk: float
    margin: int

    @property
    def plan(self) -> RatePlan:
        """The sequential plan."""
        return RatePlan(
            good_per_h=self.good_per_h, bad_per_h=self.bad_per_h, reject_good=self.risk, accept_bad=self.risk
        )


class RungDeclared(LadderLine, tag="rung", frozen=True, kw_only=True):
    """A rung was declared."""

    rung: Rung


class AttemptBegun(LadderLine, tag="attempt", frozen=True, kw_only=True):
    """A run on a rung is about to begin.

    Attributes:
        attempt: Its number in the ladder, from 1.
        rung: Number of the rung.
        out: Folder in which the run's folder is made.
        note: The run's note, word for word: how its journal is found again.
    """

    attempt: int
    rung: int
    out: str
    note: str


class AttemptWithdrawn(LadderLine, tag="withdrawn", frozen=True, kw_only=True):
    """A run never began: nothing is to be learned from its absence."""

    attempt: int
    reason: str


class RungBarred(LadderLine, tag="barred", frozen=True, kw_only=True):
    """The operator ruled a rung out, for example since the machine did not start with it."""

    rung: int
    reason: str


AnyLine = LadderBegun | RungDeclared | AttemptBegun | AttemptWithdrawn | RungBarred
_LINES: Final = msgspec.json.Decoder(AnyLine)


@dataclass(frozen=True, kw_only=True)
class Ladder:
    """A ladder as its file tells it.

    Attributes:
        begun: Its first line.
        rungs: In order of declaration.
        attempts: Runs that began, in order.
        last_attempt: Highest number of an attempt, those withdrawn included.
        barred: Rungs ruled out by the operator, with the reason.
        torn: A line was torn by a power cut and left out.
    """

    begun: LadderBegun
    rungs: tuple[Rung, ...]
    attempts: tuple[AttemptBegun, ...]
    last_attempt: int
    barred: dict[int, str]
    torn: bool


def ladder_path(name: str, folder: str | None) -> Path:
    """Return the file of a ladder.

    Raises:
        InputError: the name cannot be one.
    """
    if not _NAME.fullmatch(name):
        raise InputError(
            f"tune {name}: expected a name of letters, digits, points, dashes and underscores, 64 at most",
            slug="tune-name",
        )
    return (Path(folder) if folder else data_folder() / "tuning") / f"{name}.jsonl"


def begin_ladder(path: Path, begun: LadderBegun) -> None:
    """Make a ladder's file.

    Raises:
        InputError: there is one already, or it cannot be made.
    """
    if path.exists():
        raise InputError(
            f"{path}: is there already; a ladder is never begun twice",
            slug="tune-exists",
            hint="Choose another name.",
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _unwritable(path, error) from None
    append(path, begun)


def append(path: Path, line: LadderLine) -> None:
    """Append a line; it is on the storage when this returns. A torn end left by a power cut is closed off first.

    Raises:
        InputError: it cannot be written.
    """
    try:
        with path.open("a+b") as file:
            size = file.seek(0, os.SEEK_END)
            torn = False
            if size:
                file.seek(size - 1)
                torn = file.read(1) != b"\n"
            file.write(b"\n" * torn + to_json(line) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        _sync_folder(path.parent)
    except OSError as error:
        raise _unwritable(path, error) from None


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_ladder(path: Path) -> Ladder:
    """Return a ladder.

    A line that a power cut tore is left out and told; any other line that cannot be read is an error.

    Raises:
        InputError: there is no such ladder.
        InputProblems: it holds something else.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise InputError(
            f"{path}: {reason}; expected a tuning ladder",
            slug="tune-missing",
            hint="Begin one: burnin tune new LADDER",
        ) from None
    lines, torn = _lines(path, data)
    if not lines or not isinstance(lines[0], LadderBegun) or lines[0].format != FORMAT:
        problem = Problem(
            place="line 1", found="something else", expected=f"the beginning of a ladder of format {FORMAT}"
        )
        raise InputProblems(str(path), [problem], slug="tune-file")
    withdrawn = {line.attempt for line in lines if isinstance(line, AttemptWithdrawn)}
    return Ladder(
        begun=lines[0],
        rungs=tuple(line.rung for line in lines if isinstance(line, RungDeclared)),
        attempts=tuple(
            line for line in lines if isinstance(line, AttemptBegun) and line.attempt not in withdrawn
        ),
        last_attempt=max((line.attempt for line in lines if isinstance(line, AttemptBegun)), default=0),
        barred={line.rung: line.reason for line in lines if isinstance(line, RungBarred)},
        torn=torn,
    )


def _lines(path: Path, data: bytes) -> tuple[list[AnyLine], bool]:
    """Return the lines, and whether one was torn: a broken line is a torn one if nothing but our own repair follows it."""
    lines: list[AnyLine] = []
    torn = False
    for number, raw in enumerate(data.split(b"\n"), start=1):
        if not raw:
            continue
        try:
            lines.append(_LINES.decode(raw))
        except (msgspec.MsgspecError, RecursionError) as error:
            if raw.endswith(b"}"):
                problem = Problem(
                    place=f"line {number}", found=str(error), expected="a line of a tuning ladder"
                )
                raise InputProblems(str(path), [problem], slug="tune-file") from None
            torn = True
    return lines, torn


def _unwritable(path: Path, error: OSError) -> BurninError:
    return InputError(
        f"{path}: {(error.strerror or 'cannot be written').lower()}; expected a file that can be appended to",
        slug="tune-unwritable",
        hint="Name another folder with --folder.",
    )
