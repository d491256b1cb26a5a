r"""Lines of the kernel's log, and what they tell about a fault.

*Format*: records of ``/dev/kmsg``: ``priority,sequence,microseconds,flags;text``, bytes outside printable ASCII as
``\xNN``, further lines with a blank at the start are properties (Linux ABI, testing/dev-kmsg). Text of an earlier start, as
journals and crash stores keep it, may begin with ``<priority>`` and ``[seconds]``. *Seen on*: Linux 6.1, 6.18.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal[
    "machine_check",
    "memory_error",
    "thermal",
    "pcie",
    "usb_attach",
    "usb_detach",
    "usb_fault",
    "storage",
    "graphics",
    "out_of_memory",
    "kernel_fault",
]

KINDS: Final[dict[Kind, str]] = {
    "machine_check": "Machine checks",
    "memory_error": "Memory errors",
    "thermal": "Throttling or overheating",
    "pcie": "PCIe errors",
    "usb_attach": "USB devices attached",
    "usb_detach": "USB devices gone",
    "usb_fault": "USB errors",
    "storage": "Drive errors",
    "graphics": "Graphics errors",
    "out_of_memory": "Processes ended for want of memory",
    "kernel_fault": "Faults of the kernel itself",
}
"""Kinds of line, with what a count of them is called."""

WHAT: Final[dict[Kind, str]] = {
    "machine_check": "machine_check",
    "memory_error": "memory",
    "thermal": "thermal",
    "pcie": "pcie",
    "usb_attach": "usb",
    "usb_detach": "usb",
    "usb_fault": "usb",
    "storage": "other",
    "graphics": "other",
    "out_of_memory": "other",
    "kernel_fault": "other",
}
"""Kind to the word a journal's kernel line carries in ``what``."""

_RULES: Final[tuple[tuple[Kind, re.Pattern[str]], ...]] = (
    ("memory_error", re.compile(r"\bEDAC MC\d*: *\d+ (CE|UE)\b|\bMemory failure: 0x|corrected memory error", re.IGNORECASE)),
    ("machine_check", re.compile(r"\bMachine Check( Exception)?: |Machine check events logged|Fatal (local )?machine check")),
    ("thermal", re.compile(r"temperature(/speed)? above threshold|critical temperature reached|clock throttled", re.IGNORECASE)),
    ("pcie", re.compile(r"\bPCIe Bus Error\b|\bAER: .*(error|fail)|\bDPC: (containment|error)|Data Link Layer Link Active not set", re.IGNORECASE)),
    ("usb_detach", re.compile(r"\busb \d[\d.-]*: USB disconnect")),
    ("usb_attach", re.compile(r"\busb \d[\d.-]*: new .*USB device number")),
    ("usb_fault", re.compile(r"\b(usb|hub) \S+: .*(error -\d+|not accepting address|over-current|unable to enumerate|cannot enable|Cannot enable|reset \S+ USB device)|xhci_hcd .*(host (controller )?not responding|HC died|assume dead)")),
    ("storage", re.compile(r"\bnvme nvme\d+: .*(timeout|aborting|controller is down|reset)|\bI/O error, dev |\bata\d+(\.\d+)?: .*(failed command|exception Emask|hard resetting link)|critical medium error", re.IGNORECASE)),
    ("graphics", re.compile(r"\bNVRM: Xid\b|\bGPU (HANG|reset|fault)\b|\bamdgpu \S+: .*(ring \S+ timeout|GPU reset|VM_L2_PROTECTION_FAULT)", re.IGNORECASE)),
    ("out_of_memory", re.compile(r"\bOut of memory: Kill|\boom-kill:|\bMemory cgroup out of memory")),
    ("kernel_fault", re.compile(r"\bKernel panic\b|\bBUG: |\bOops: |\bsoft lockup\b|\bhung_task\b|blocked for more than \d+ seconds|general protection fault")),
)  # fmt: skip
"""First rule that fits decides. Wording of Linux 5.10 to 6.18: seen for machine checks, USB and throttling, the rest from memory."""

_RECORD: Final = re.compile(
    rb"(?P<priority>\d{1,10}),(?P<sequence>\d{1,20}),(?P<time>\d{1,20}),[^;]{0,200};(?P<text>[^\n]*)"
)
_OLD: Final = re.compile(
    r"(?:<(?P<priority>\d{1,3})>)?\[ *(?P<seconds>\d{1,10})\.(?P<micros>\d{6})\](?:\[[^\]]{1,20}\])? ?(?P<text>.*)"
)
_ESCAPE: Final = re.compile(rb"\\x([0-9a-fA-F]{2})")


@dataclass(frozen=True, kw_only=True)
class LogLine:
    """One line of the kernel's log.

    Attributes:
        level: 0 (emergency) to 7 (debugging); None where the text does not say.
        sequence: Number of the record; None in text of an earlier start.
        t_boot_us: Microseconds since the start of the machine.
        text: The message, printable.
        kind: What it tells, None for nothing of interest here.
    """

    level: int | None
    sequence: int | None
    t_boot_us: int
    text: str
    kind: Kind | None


def classify(text: str) -> Kind | None:
    """Return what a message tells about a fault or a port, None for anything else."""
    return next((kind for kind, pattern in _RULES if pattern.search(text)), None)


def _printable(raw: bytes) -> str:
    plain = _ESCAPE.sub(lambda match: bytes((int(match[1], 16),)), raw)
    return "".join(mark if mark.isprintable() else "?" for mark in plain.decode("utf-8", "replace"))[:400]


def parse_record(data: bytes) -> LogLine | None:
    """Return one record of ``/dev/kmsg``, None when it has not that form."""
    match = _RECORD.match(data)
    if match is None:
        return None
    text = _printable(match["text"])
    return LogLine(
        level=int(match["priority"]) & 7,
        sequence=int(match["sequence"]),
        t_boot_us=int(match["time"]),
        text=text,
        kind=classify(text),
    )


def parse_records(data: bytes) -> tuple[LogLine, ...]:
    """Return all records of a copied ``/dev/kmsg``; property lines and anything garbled are skipped."""
    lines = (parse_record(line) for line in data.split(b"\n"))
    return tuple(line for line in lines if line is not None)


def parse_earlier_log(text: str) -> tuple[LogLine, ...]:
    """Return the lines of a log kept from an earlier start (journal or crash store); other lines are skipped."""
    found: list[LogLine] = []
    for line in text.splitlines():
        match = _OLD.search(line)
        if match is None:
            continue
        message = _printable(match["text"].encode("utf-8", "replace"))
        level = int(match["priority"]) & 7 if match["priority"] else None
        t_boot_us = int(match["seconds"]) * 1_000_000 + int(match["micros"])
        found.append(
            LogLine(level=level, sequence=None, t_boot_us=t_boot_us, text=message, kind=classify(message))
        )
    return tuple(found)
