"""Door to fan and pump headers: read, set by hand, and given back as they were found.

Files: ``pwmN`` is the duty, 0 to 255; ``pwmN_enable`` who controls it, 1 for by hand, others for the chip or nobody (Linux
documentation, hwmon/sysfs-interface).
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec

from burnin.host.tree import reason_of

_PWM: Final = re.compile(r"pwm\d{1,2}", re.ASCII)
_FAN: Final = re.compile(r"fan\d{1,2}_input", re.ASCII)
_BY_HAND: Final = "1"


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """One header as found.

    Attributes:
        name: Chip and file, for example ``boardctl/pwm1``.
        path: Its duty file.
        duty: What it held.
        control: What its control file held; empty where it has none.
    """

    name: str
    path: str
    duty: str
    control: str = ""


def _text(path: Path) -> str | None:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, ValueError):
        return None


def _chips(root: str) -> list[tuple[str, Path]]:
    base = Path(root) / "sys/class/hwmon"
    folders = sorted(base.iterdir()) if base.is_dir() else []
    return [(_text(folder / "name") or folder.name, folder) for folder in folders]


def headers(root: str = "/") -> tuple[Header, ...]:
    """Return every header of the machine with what it held."""
    found = []
    for chip, folder in _chips(root):
        for path in sorted(each for each in folder.iterdir() if _PWM.fullmatch(each.name)):
            duty = _text(path)
            if duty is not None and duty.isdigit():
                control = _text(folder / f"{path.name}_enable") or ""
                found.append(Header(name=f"{chip}/{path.name}", path=str(path), duty=duty, control=control))
    return tuple(found)


def may_write(header: Header) -> bool:
    """Return whether this process may set a header."""
    return os.access(header.path, os.W_OK)


def set_duty(header: Header, duty_pct: float) -> str:
    """Set a header by hand; return why that failed, empty when it did not."""
    try:
        if header.control:
            Path(f"{header.path}_enable").write_text(_BY_HAND, encoding="ascii")
        Path(header.path).write_text(str(round(duty_pct * 255 / 100)), encoding="ascii")
    except OSError as error:
        return reason_of(error)
    return ""


def restore(found: Iterable[Header]) -> bool:
    """Give headers back as they were found; return whether each control (and each duty set by hand) reads so again.

    The duty goes first, while it can still be set; the control after it, so that the chip takes over at once. May be
    repeated: a header that is back under its own control is left alone.
    """
    as_found = [_restored(header) for header in found]  # every header is tried, whatever the others did
    return all(as_found)


def _restored(header: Header) -> bool:
    control, duty = Path(f"{header.path}_enable"), Path(header.path)
    if not header.control or _text(control) == _BY_HAND:
        _write(duty, header.duty)
    if header.control and _text(control) != header.control:
        _write(control, header.control)
    as_found = not header.control or _text(control) == header.control
    return as_found and (header.control not in {"", _BY_HAND} or _text(duty) == header.duty)


def _write(path: Path, value: str) -> None:
    with contextlib.suppress(OSError):  # reading back tells
        path.write_text(value, encoding="ascii")


def speeds_rpm(root: str = "/") -> dict[str, float]:
    """Return every tachometer's speed now, by chip and file; those that cannot be read are left out."""
    found = {}
    for chip, folder in _chips(root):
        for path in sorted(each for each in folder.iterdir() if _FAN.fullmatch(each.name)):
            text = _text(path)
            if text is not None and text.isdigit():
                found[f"{chip}/{path.name.removesuffix('_input')}"] = float(text)
    return found
