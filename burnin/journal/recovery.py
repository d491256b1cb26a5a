"""Closes runs that a reset, a hang or a power cut left open; can be interrupted anywhere and repeated.

The order of steps makes every interruption harmless: the torn end is copied aside and synced before it is cut
off, and the line that reports it is written after. A copy that no line reports yet is reported by the next try.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from burnin.errors import BurninError, InputError
from burnin.journal.compact import event_bytes
from burnin.journal.files import FileLayer, RealFiles
from burnin.journal.frame import JOURNAL_FORMAT, BadLine, decode_unchained, encode_line, line_hash
from burnin.journal.reader import Damage, JournalReader
from burnin.journal.reserve import RESERVE_NAME
from burnin.journal.store import JOURNAL_NAME, Head, cut_back, write_all
from burnin.records import codec
from burnin.records.events import (
    Anchor,
    AnyEvent,
    FaultFound,
    Resumed,
    RunClosed,
    RunOpened,
    RunRecovered,
    Sweep,
)

TAIL_PREFIX: Final = "journal.tail-"
"""Beginning of the names of torn ends kept aside; the digest of their bytes follows."""

_DRAFT: Final = "journal.tail.draft"


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What the caller found out about the machine's restart.

    Attributes:
        anchor: Clocks now.
        orderly: Whether the shutdown was orderly; None where unknown.
        causes: Lines that name a cause (kernel log of the previous boot, crash store, machine checks).
        uptime_s: Uptime now, seconds.
        mains_lost: What the operator answered when asked whether the mains had failed; empty where nobody did.
    """

    anchor: Anchor
    orderly: bool | None = None
    causes: tuple[str, ...] = ()
    uptime_s: float = 0.0
    mains_lost: Literal["", "yes", "no", "unknown"] = ""


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """What recovery did.

    Attributes:
        run_id: The run.
        was_open: False when the run was closed already and nothing was done.
        lines: Good lines found.
        dropped_bytes: Bytes that were no good lines, kept aside.
        tails: Names of the files in which they are kept.
        trouble: Why they were no good lines; empty for none.
        same_boot: True when the machine has not restarted since; None where unknown.
    """

    run_id: str
    was_open: bool
    lines: int = 0
    dropped_bytes: int = 0
    tails: tuple[str, ...] = ()
    trouble: str = ""
    same_boot: bool | None = None


@dataclass(kw_only=True)
class _Survey:
    """What stands in a journal: its end, what matters of its lines, and the bytes after them."""

    opened: RunOpened | None = None
    anchor: Anchor | None = None
    head: Head
    last: AnyEvent | None = None
    reported: set[str]
    recovering: bool = False
    sweeps: int = 0
    faults: int = 0
    damage: Damage | None = None
    tail: bytes = b""

    def take(self, event: AnyEvent) -> None:
        """Note what matters of one event."""
        self.last = event
        self.sweeps += isinstance(event, Sweep)
        self.faults += isinstance(event, FaultFound)
        self.recovering = self.recovering or isinstance(event, RunRecovered)
        if isinstance(event, RunOpened):
            self.opened, self.anchor = event, event.anchor
        elif isinstance(event, Resumed):
            self.anchor, self.recovering = event.anchor, False
        elif isinstance(event, RunRecovered):
            self.reported.add(event.dropped_sha256)

    @property
    def closed(self) -> bool:
        """True when the last line closes the run, be it in the part that cannot be trusted."""
        return isinstance(self.last, RunClosed) or _ends_closed(self.tail)


def find_unfinished(runs_folder: Path, *, files: FileLayer | None = None) -> tuple[Path, ...]:
    """Return the folders of runs that were never closed and that no process is writing, sorted.

    Folders that cannot be read, or whose journal does not even begin with a run, are not among them.
    """
    files = files or RealFiles()
    if not runs_folder.is_dir():
        return ()
    folders = (folder for folder in sorted(runs_folder.iterdir()) if (folder / JOURNAL_NAME).is_file())
    return tuple(folder for folder in folders if _is_unfinished(folder, files))


def recover_run(folder: Path, evidence: Evidence, *, files: FileLayer | None = None) -> Recovery:
    """Close the run in ``folder`` from what is there; a closed run is left as it is.

    Raises:
        InputError: there is no journal, it is being written, it is damaged rather than torn, or a later version made it.
        BurninError: the storage refuses; nothing is lost, and recovery can be tried again.
    """
    files = files or RealFiles()
    try:
        release = files.lock(folder)
        if release is None:
            raise InputError(
                f"{folder}: the run is still being written by another process; expected a run that was cut off",
                slug="run-alive",
                hint="Wait for its end, or stop it with Ctrl-C in its own terminal.",
            )
        try:
            return _recover(folder, evidence, files)
        finally:
            release()
    except OSError as error:
        raise BurninError(
            f"{folder}: the run could not be closed: {error.strerror or error}",
            slug="recovery-storage",
            hint="Free space, or copy the folder to a drive that can be written, and try again. Nothing is lost.",
        ) from error


def _is_unfinished(folder: Path, files: FileLayer) -> bool:
    try:
        release = files.lock(folder)
        if release is None:
            return False
        try:
            survey = _survey(files.read(folder / JOURNAL_NAME))
        finally:
            release()
    except OSError:
        return False
    return survey.opened is not None and not survey.closed


def _survey(data: bytes) -> _Survey:
    reader = JournalReader(io.BytesIO(data))
    survey = _Survey(head=reader.head, reported=set())
    for line in reader:
        survey.take(line.event)
    survey.head, survey.damage = reader.head, reader.damage
    survey.tail = data[reader.head.size :]
    return survey


def _recover(folder: Path, evidence: Evidence, files: FileLayer) -> Recovery:
    survey = _survey(files.read(folder / JOURNAL_NAME))
    opened = _check(folder, survey)
    trouble = "" if survey.damage is None else str(survey.damage)
    same_boot = _same_boot(survey.anchor, evidence.anchor)
    if isinstance(survey.last, RunClosed):
        return Recovery(run_id=opened.run_id, was_open=False, lines=survey.head.seq, trouble=trouble)
    _give_reserve_back(folder, files)
    if survey.tail:
        _set_aside(folder, survey.tail, files)
    tails = _unreported(folder, survey.reported, files)
    _append(folder, survey.head, _closing_events(survey, tails, evidence, same_boot), evidence.anchor, files)
    return Recovery(
        run_id=opened.run_id,
        was_open=True,
        lines=survey.head.seq,
        dropped_bytes=sum(len(data) for data in tails.values()),
        tails=tuple(tails),
        trouble=trouble,
        same_boot=same_boot,
    )


def _check(folder: Path, survey: _Survey) -> RunOpened:
    """Return the opening line of a journal that recovery may touch."""
    where = folder / JOURNAL_NAME
    damage = survey.damage
    later = survey.opened is not None and survey.opened.journal_format > JOURNAL_FORMAT
    if later or (damage is not None and damage.bad.intact):
        raise InputError(
            f"{where}: {damage or 'line 1: found a later journal format'}; another version wrote it like this",
            slug="journal-later-version",
            hint="Close this run with the version that made it, or a later one.",
        )
    if survey.opened is None:
        raise InputError(
            f"{where}: {damage or 'line 1: found an empty file; expected the event run_opened'}",
            slug="journal-bad",
            hint="This run never began; its folder can be deleted.",
        )
    if damage is not None and survey.closed:
        raise InputError(
            f"{where}: {damage}; the run was closed, and its journal was damaged later",
            slug="journal-damaged",
            hint="Use another copy of the run. 'burnin verify' says what is damaged.",
        )
    return survey.opened


def _ends_closed(tail: bytes) -> bool:
    """Return whether untrusted bytes end in a whole line that closes a run."""
    lines = tail.rsplit(b"\n", 2)
    if len(lines) < 2 or lines[-1]:
        return False
    line = decode_unchained(lines[-2])
    return not isinstance(line, BadLine) and isinstance(line.event, RunClosed)


def _same_boot(then: Anchor | None, now: Anchor) -> bool | None:
    if then is None or not then.boot_id or not now.boot_id:
        return None
    return then.boot_id == now.boot_id


def _give_reserve_back(folder: Path, files: FileLayer) -> None:
    with contextlib.suppress(FileNotFoundError):
        files.remove(folder / RESERVE_NAME)


def _set_aside(folder: Path, tail: bytes, files: FileLayer) -> None:
    """Keep the bytes in a file named for their digest, safely, before anything is cut off."""
    draft, kept = folder / _DRAFT, folder / f"{TAIL_PREFIX}{codec.sha256_hex(tail)}"
    with contextlib.suppress(FileNotFoundError):
        files.remove(draft)
    file = files.create(draft)
    try:
        write_all(file, tail)
        file.sync()
    finally:
        file.close()
    files.rename(draft, kept)
    files.sync_folder(folder)


def _unreported(folder: Path, reported: Iterable[str], files: FileLayer) -> dict[str, bytes]:
    """Return the torn ends kept aside that no line reports yet, by name."""
    tails = {}
    for name in files.names(folder):
        if name.startswith(TAIL_PREFIX) and name.removeprefix(TAIL_PREFIX) not in reported:
            tails[name] = files.read(folder / name)
    return tails


def _closing_events(
    survey: _Survey, tails: dict[str, bytes], evidence: Evidence, same_boot: bool | None
) -> list[AnyEvent]:
    events: list[AnyEvent] = []
    losses = [(len(data), codec.sha256_hex(data)) for data in tails.values()]
    if not losses and not survey.recovering:
        losses = [(0, "")]
    for size, digest in losses:
        events.append(
            RunRecovered(
                anchor=evidence.anchor,
                dropped_bytes=size,
                dropped_sha256=digest,
                same_boot=same_boot,
                orderly=evidence.orderly,
                causes=evidence.causes,
                uptime_s=evidence.uptime_s,
                mains_lost=evidence.mains_lost,
            )
        )
    events.append(RunClosed(reason="cut_off", sweeps=survey.sweeps, faults=survey.faults))
    return events


def _append(folder: Path, head: Head, events: list[AnyEvent], anchor: Anchor, files: FileLayer) -> None:
    """Cut the journal to its good lines and append; every line is safe before the next is written."""
    file = files.append(folder / JOURNAL_NAME)
    try:
        cut_back(file, head.size)
        seq, prev = head.seq, head.prev
        for event in events:
            raw = encode_line(event_bytes(event), seq=seq, mono_ns=max(0, anchor.mono_ns), prev=prev)
            write_all(file, raw + b"\n")
            file.sync()
            seq, prev = seq + 1, line_hash(raw)
    finally:
        file.close()
