"""A known stick: one file of known content, written once, read back at every socket, and where the stick hangs."""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.errors import InputError
from burnin.host.protocol import Clock, Host

FILE: Final = "burnin-socket-check.bin"
PIECE_BYTES: Final = 1 << 20
PIECES: Final = 32
_SEED: Final = 0x5A17
_USB: Final = re.compile(r"\d+-\d+(?:\.\d+)*", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class ReadBack:
    """What reading the known file showed.

    Attributes:
        right: Every byte is as it was written.
        rate_mb_s: Bytes read per time, MB/s; 0 where nothing was read.
        detail: What is wrong, in plain words; empty when nothing is.
    """

    right: bool
    rate_mb_s: float = 0.0
    detail: str = ""


def _piece(number: int) -> bytes:
    return random.Random(_SEED + number).randbytes(PIECE_BYTES)  # noqa: S311 - content to compare, no secret


def write_known(folder: Path, *, pieces: int = PIECES) -> None:
    """Write the known file, synced; a file of the right length that is there already is kept.

    Raises:
        InputError: it cannot be written.
    """
    path = folder / FILE
    try:
        if path.is_file() and path.stat().st_size == pieces * PIECE_BYTES:
            return
        with path.open("wb") as file:
            for number in range(pieces):
                file.write(_piece(number))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        reason = (error.strerror or "cannot be written").lower()
        raise InputError(
            f"--stick {folder}: {reason}; expected the folder of a stick that can be written to",
            slug="stick",
            hint="Mount the stick, free 32 MiB on it, and name its folder.",
        ) from None


def read_known(folder: Path, clock: Clock, *, pieces: int = PIECES) -> ReadBack:
    """Return whether the known file reads as it was written; what the system remembers of it is dropped first."""
    begun_ns, wrong = clock.mono_ns(), 0
    try:
        with (folder / FILE).open("rb", buffering=0) as file:
            with contextlib.suppress(OSError, AttributeError):
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            for number in range(pieces):
                data = file.read(PIECE_BYTES)
                wrong += hashlib.sha256(data).digest() != hashlib.sha256(_piece(number)).digest()
    except OSError as error:
        return ReadBack(right=False, detail=(error.strerror or "cannot be read").lower())
    took_s = max((clock.mono_ns() - begun_ns) / 1e9, 1e-9)
    detail = f"{wrong} of {pieces} MiB differ from what was written" if wrong else ""
    return ReadBack(right=not wrong, rate_mb_s=pieces * PIECE_BYTES / 1e6 / took_s, detail=detail)


def usb_path_of(folder: Path, host: Host) -> str:
    """Return the kernel name (``2-1.4``) of the USB device that holds ``folder``, empty where it is on none."""
    try:
        device = folder.stat().st_dev
    except OSError:
        return ""
    place = host.resolve(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}") or ""
    names = [part for part in place.split("/") if _USB.fullmatch(part)]
    return names[-1] if names else ""
