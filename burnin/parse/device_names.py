"""Names of vendors and devices from the hwdata files ``pci.ids``, ``usb.ids`` and ``pnp.ids``.

Format: ``pci.ids`` and ``usb.ids``: vendor lines ``hhhh  Name``, device lines indented by one tab, class lines after
``C ``; ``pnp.ids``: ``ABC<tab>Name``. Read by search rather than in full: the files have 30,000 lines, an inventory asks
for a dozen.
Seen on: hwdata 0.368 (Debian 12).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

_NEXT_ENTRY: Final = re.compile(rb"\n[^\t#\n]")
"""The next vendor or class line: anything that is neither indented nor a comment nor empty."""


@dataclass(frozen=True, kw_only=True)
class DeviceNames:
    """Names found.

    Attributes:
        vendors: Vendor id (four hex digits) to name.
        devices: Vendor id and device id to name.
    """

    vendors: dict[str, str] = field(default_factory=dict)
    devices: dict[tuple[str, str], str] = field(default_factory=dict)

    def best(self, vendor_id: str, device_id: str) -> str:
        """Return vendor and device name; raw ids stand in for what has no name."""
        if not vendor_id:
            return "device without ids"
        vendor = self.vendors.get(vendor_id)
        device = self.devices.get((vendor_id, device_id))
        if vendor is None:
            return f"{vendor_id}:{device_id}"
        return f"{vendor} {device}" if device else f"{vendor} {vendor_id}:{device_id}"


def parse_device_names(data: bytes, wanted: Iterable[tuple[str, str]]) -> DeviceNames:
    """Return the names of the wanted ids; an id without an entry is left out, never an error.

    Args:
        data: Content of ``pci.ids`` or ``usb.ids``; empty where there is none.
        wanted: Vendor and device ids, four lower-case hex digits each.
    """
    names = DeviceNames()
    by_vendor: dict[str, list[str]] = {}
    for vendor_id, device_id in sorted(set(wanted)):
        by_vendor.setdefault(vendor_id, []).append(device_id)
    whole = b"\n" + data
    for vendor_id, device_ids in by_vendor.items():
        section = _vendor_section(whole, vendor_id)
        if section is None:
            continue
        names.vendors[vendor_id] = section[0]
        for device_id in device_ids:
            device = _line_after(section[1], b"\n\t" + device_id.encode() + b"  ")
            if device is not None:
                names.devices[vendor_id, device_id] = _text(device)
    return names


def _vendor_section(whole: bytes, vendor_id: str) -> tuple[str, bytes] | None:
    name = _line_after(whole, b"\n" + vendor_id.encode() + b"  ")
    if name is None:
        return None
    start = whole.index(b"\n" + vendor_id.encode() + b"  ")
    end = _NEXT_ENTRY.search(whole, start + 1)
    return _text(name), whole[start + 1 : end.start() + 1 if end else len(whole)]


def _line_after(data: bytes, mark: bytes) -> bytes | None:
    """Return the rest of the first line that begins with ``mark`` (a line feed and the line's start)."""
    start = data.find(mark)
    if start < 0:
        return None
    end = data.find(b"\n", start + len(mark))
    return data[start + len(mark) : end if end >= 0 else len(data)]


def parse_maker_names(data: bytes, wanted: Iterable[str]) -> dict[str, str]:
    """Return the names of three-letter display makers from ``pnp.ids``; unknown ones are left out."""
    names = {}
    for code in sorted(set(wanted)):
        match = re.search(rb"^" + re.escape(code.encode()) + rb"[\t ]+(.+)$", data, re.MULTILINE)
        if match:
            names[code] = _text(match[1])
    return names


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "replace").strip()
