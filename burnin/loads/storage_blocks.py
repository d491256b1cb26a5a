"""Blocks written to a scratch file, read back in order and at random, and compared.

Proves: that the drive, its controller and the path to it give back what was written, in both orders, for the share of
the drive that the file covers.

Does not prove: anything about the rest of the drive; that data outlast a power cut; where the system's cache could not
be passed by (see the notes), that each read came from the drive.
"""

from __future__ import annotations

import mmap
import os
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from burnin.calc.memory_content import BLOCK_BYTES, Content, content_of_pass
from burnin.calc.sealed import compare, reported
from burnin.calc.splitmix import derive, words
from burnin.errors import BurninError
from burnin.host.clock import RealClock
from burnin.host.protocol import Clock
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_PHASES: Final = ("write", "read in order", "read at random")

SPEC: Final = LoadSpec(
    title="Blocks written to the drive, read back and compared",
    proves="The drive and the path to it give back what was written, in order and at random.",
    does_not_prove="The rest of the drive; that data outlast a power cut.",
    resource="storage",
    unit="GB",
    params=(
        Param(
            name="share",
            default=0.1,
            about="Largest share of free space to use, 0.01 to 0.5.",
            low=0.01,
            high=0.5,
        ),
        Param(name="most_mib", default=1024, about="Largest scratch file, MiB.", low=1, high=1 << 20),
    ),
    per_core=False,
    longest_finish_s=60.0,
    needs="a folder for scratch files",
)


class _ScratchFile:
    """A file without a name where the system allows that, so that it goes with the process whatever happens.

    Args:
        folder: Where.
        count: Size in bytes.
    """

    def __init__(self, folder: Path, count: int) -> None:
        descriptor, name = tempfile.mkstemp(prefix="burnin-scratch-", dir=folder)
        self.name = Path(name)
        try:
            self.direct = False
            if hasattr(os, "O_DIRECT"):
                descriptor = self._reopen_direct(descriptor)
            _reserve(descriptor, count)
        except OSError:
            os.close(descriptor)
            self.name.unlink(missing_ok=True)
            raise
        self.descriptor = descriptor
        self.nameless = self._unlink()
        self._buffer = mmap.mmap(-1, BLOCK_BYTES)
        self.words = np.frombuffer(self._buffer, dtype=np.uint64)

    def _reopen_direct(self, descriptor: int) -> int:
        """Return a descriptor that passes by the system's cache, or the old one where the file system refuses."""
        try:
            direct = os.open(self.name, os.O_RDWR | os.O_DIRECT)
        except OSError:
            return descriptor
        os.close(descriptor)
        self.direct = True
        return direct

    def _unlink(self) -> bool:
        """Take the name away while the file is open; some systems do not allow it."""
        try:
            self.name.unlink()
        except OSError:
            return False
        return True

    def write(self, block: int) -> None:
        """Write the buffer to a block."""
        self._move(block, writes=True)

    def read(self, block: int) -> None:
        """Read a block into the buffer."""
        self._move(block, writes=False)

    def _move(self, block: int, *, writes: bool) -> None:
        os.lseek(self.descriptor, block * BLOCK_BYTES, os.SEEK_SET)
        if not writes:
            self.words.fill(0)
        view = memoryview(self._buffer)
        if writes:
            done = os.write(self.descriptor, view)
        elif hasattr(os, "readv"):
            done = os.readv(self.descriptor, [view])
        else:
            data = os.read(self.descriptor, BLOCK_BYTES)
            done = len(data)
            view[:done] = data
        view.release()
        if done != BLOCK_BYTES:
            raise OSError(0, f"{done} of {BLOCK_BYTES} bytes {'written' if writes else 'read'}")

    def settle(self) -> None:
        """Bring what was written to the drive, and ask the system to forget its copy."""
        os.fsync(self.descriptor)
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(self.descriptor, 0, 0, os.POSIX_FADV_DONTNEED)

    def close(self) -> None:
        """Remove the file."""
        os.close(self.descriptor)
        self.name.unlink(missing_ok=True)
        self.words = np.empty(0, dtype=np.uint64)
        self._buffer.close()


def _reserve(descriptor: int, count: int) -> None:
    """Take the whole space at once, so that it cannot run out later."""
    if hasattr(os, "posix_fallocate"):
        os.posix_fallocate(descriptor, 0, count)
    else:
        os.truncate(descriptor, count)


class _Session:
    """An opened storage load.

    Args:
        file: Scratch file.
        blocks: Its size in blocks.
        context: From the engine.
        clock: Clock for the length of a step.
    """

    def __init__(self, file: _ScratchFile, blocks: int, *, context: LoadContext, clock: Clock) -> None:
        self._file, self._blocks, self._context, self._clock = file, blocks, context, clock
        self._pass, self._phase, self._done, self._step = 0, 0, 0, 0
        self._content = self._content_now()
        self._order = np.arange(blocks)
        self._written = 0
        self._checked = np.zeros(blocks, dtype=np.bool_)

    @property
    def notes(self) -> dict[str, Scalar]:
        """Size, place and how reads reach the drive."""
        return {
            "bytes": self._blocks * BLOCK_BYTES,
            "folder": str(self._file.name.parent),
            "reads": "direct" if self._file.direct else "through the system's cache",
            "removed_with_the_process": self._file.nameless,
            "rounds": self._pass,
        }

    def step(self) -> StepResult:
        """Write or read blocks until the step's time is used up."""
        return self._run(self._advance, settled=False)

    def finish(self) -> StepResult:
        """Read back what was written in this round and not yet read."""
        open_blocks = np.flatnonzero(~self._checked[: self._written])
        queue = iter(open_blocks.tolist())
        left = len(open_blocks)

        def one(faults: list[Fault]) -> int:
            nonlocal left
            block = next(queue, None)
            if block is None:
                return 0
            left -= 1
            return self._check(block, faults)

        result = self._run(one, settled=False)
        return StepResult(amount=result.amount, faults=result.faults, settled=left == 0)

    def close(self) -> None:
        """Remove the file."""
        self._file.close()

    def _run(self, one: Callable[[list[Fault]], int], *, settled: bool) -> StepResult:
        """Repeat ``one`` until the time is used up or it did nothing; an error of the drive is a fault."""
        faults: list[Fault] = []
        moved = 0
        stop_ns = self._clock.mono_ns() + int(self._context.step_budget_s * 0.7e9)
        try:
            while moving := one(faults):
                moved += moving
                if self._clock.mono_ns() >= stop_ns or len(faults) >= 16:
                    break
        except OSError as error:
            values: dict[str, Scalar] = {"at": _PHASES[self._phase], "found": error.strerror or str(error)}
            faults.append(Fault(kind="storage_error", step=self._step, values=values))
            self._done += 1
        self._step += 1
        return StepResult(amount=moved / 1e9, faults=tuple(faults[:16]), settled=settled)

    def _content_now(self) -> Content:
        return content_of_pass(self._pass, kinds=("random",), seed=derive(self._context.seed, 9))

    def _advance(self, faults: list[Fault]) -> int:
        """Do the next block of the phase; return the bytes moved."""
        if self._done >= self._blocks:
            self._next_phase()
        block = int(self._order[self._done])
        self._done += 1
        if self._phase:
            return self._check(block, faults)
        np.copyto(self._file.words, self._content.words(block))
        self._file.write(block)
        self._written = self._done
        return BLOCK_BYTES

    def _next_phase(self) -> None:
        """Go on to the next phase, or to the next round with the complement."""
        if self._phase == 0:
            self._file.settle()
        self._phase = (self._phase + 1) % len(_PHASES)
        self._done = 0
        if self._phase == 0:
            self._pass += 1
            self._content = self._content_now()
            self._written = 0
            self._checked[:] = False
        at_random = np.argsort(words(derive(self._context.seed, 10), self._pass, self._blocks))
        self._order = at_random if self._phase == 2 else np.arange(self._blocks)

    def _check(self, block: int, faults: list[Fault]) -> int:
        """Read a block and compare it; a wrong one is read once more."""
        self._checked[block] = True
        self._file.read(block)
        expected = self._content.words(block)
        if not np.array_equal(self._file.words, expected):
            changes = compare("block", expected, self._file.words)
            self._file.read(block)
            again = "as written" if np.array_equal(self._file.words, expected) else "wrong again"
            about: dict[str, Scalar] = {"at": _PHASES[self._phase], "block": block, "read_again": again}
            about["file_offset"] = f"0x{block * BLOCK_BYTES + 8 * changes[0].index[0]:x}"
            values = reported(changes, limit=1)[0]
            values.pop("address")
            faults.append(Fault(kind="storage_block", step=self._step, values=values | about))
        return BLOCK_BYTES


class _StorageBlocks:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the scratch file, within its share of free space.

        Raises:
            BurninError: there is no folder, no room, or the file cannot be made.
        """
        if context.scratch is None:
            raise BurninError("storage_blocks: no folder for scratch files was given", slug="load_storage")
        share, most = float(params.get("share", 0.1)), int(params.get("most_mib", 1024)) << 20
        try:
            free = shutil.disk_usage(context.scratch).free
            blocks = int(min(share * free, most)) // BLOCK_BYTES
            if blocks < 1:
                raise BurninError(
                    f"storage_blocks: {free >> 20} MiB free in {context.scratch}; a share of {share:g} is less "
                    f"than one block of {BLOCK_BYTES >> 10} KiB",
                    slug="load_storage",
                    hint="Free some space or name another folder.",
                )
            file = _ScratchFile(context.scratch, blocks * BLOCK_BYTES)
        except OSError as error:
            raise BurninError(
                f"storage_blocks: no scratch file in {context.scratch}: {error.strerror}", slug="load_storage"
            ) from None
        return _Session(file, blocks, context=context, clock=RealClock())


PLUGIN = _StorageBlocks()
