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
    for vendor_id, device_id in sorted(set(wanted)):
        section = _vendor_section(data, vendor_id)
        if section is None:
            continue
        names.vendors[vendor_id] = section[0]
        match = re.search(rb"^\t" + device_id.encode() + rb"  (.+)$", section[1], re.MULTILINE)
        if match:
            names.devices[vendor_id, device_id] = _text(match[1])
    return names


def _vendor_section(data: bytes, vendor_id: str) -> tuple[str, bytes] | None:
    start = re.search(rb"^" + vendor_id.encode() + rb"  (.+)$", data, re.MULTILINE)
    if start is None:
        return None
    end = re.compile(rb"^[^\t#\n]", re.MULTILINE).search(data, start.end())
    return _text(start[1]), data[start.end() : end.start() if end else len(data)]


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
