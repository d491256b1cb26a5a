"""PCI devices with the link each one negotiated, and what both ends could do."""

from __future__ import annotations

import re
from typing import Final

from burnin.errors import ParseError
from burnin.host.attributes import link_name, read_first, read_int, read_text
from burnin.host.protocol import Host
from burnin.parse.device_names import parse_device_names
from burnin.parse.kernel_values import parse_hex_id, parse_link_speed
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import PciDevice, PciPart

_DEVICES: Final = "/sys/bus/pci/devices"
_NAMES: Final = ("/usr/share/hwdata/pci.ids", "/usr/share/misc/pci.ids")
_ADDRESS: Final = re.compile(r"[0-9a-f]{4,8}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]", re.ASCII)
_NO_LINK: Final = 255
"""What the kernel prints for the width of a device without a link (PCI_EXP_LNKSTA unset)."""


class PciProbe:
    """Fills the inventory's ``pci`` part."""

    spec: Final = ProbeSpec(title="PCI devices and their links", part="pci")

    def probe(self, host: Host) -> PciPart:
        """Return the PCI devices; ``present`` is None where the kernel shows no bus."""
        if host.resolve(_DEVICES) is None:
            reason = "the kernel shows no PCI bus (no /sys/bus/pci)"
            return PciPart(unknown={"*": reason if host.system == "Linux" else f"not read on {host.system}"})
        names = [name for name in host.names(_DEVICES) if _ADDRESS.fullmatch(name)]
        ids = {name: (_hex(host, name, "vendor", 4), _hex(host, name, "device", 4)) for name in names}
        known = parse_device_names(read_first(host, _NAMES), [pair for pair in ids.values() if all(pair)])
        return PciPart(
            present=True,
            devices=tuple(_device(host, name, ids[name], known.best(*ids[name])) for name in names),
        )


def _hex(host: Host, name: str, file: str, digits: int) -> str:
    try:
        return parse_hex_id(read_text(host, f"{_DEVICES}/{name}/{file}") or "", digits=digits)
    except ParseError:
        return ""


def _speed(host: Host, name: str, file: str) -> float | None:
    try:
        return parse_link_speed(read_text(host, f"{_DEVICES}/{name}/{file}") or "Unknown")
    except ParseError:
        return None


def _width(host: Host, name: str, file: str) -> int | None:
    width = read_int(host, f"{_DEVICES}/{name}/{file}")
    return width if width and width != _NO_LINK else None


def _device(host: Host, name: str, ids: tuple[str, str], best: str) -> PciDevice:
    parts = (host.resolve(f"{_DEVICES}/{name}") or "").split("/")
    parent = parts[-2] if len(parts) > 1 and _ADDRESS.fullmatch(parts[-2]) else ""
    return PciDevice(
        address=name,
        vendor_id=ids[0],
        device_id=ids[1],
        class_id=_hex(host, name, "class", 6),
        name=best,
        driver=link_name(host, f"{_DEVICES}/{name}/driver"),
        width=_width(host, name, "current_link_width"),
        max_width=_width(host, name, "max_link_width"),
        speed_gts=_speed(host, name, "current_link_speed"),
        max_speed_gts=_speed(host, name, "max_link_speed"),
        parent_max_width=_width(host, parent, "max_link_width") if parent else None,
        parent_max_speed_gts=_speed(host, parent, "max_link_speed") if parent else None,
        parent=parent,
    )


PLUGIN: Final = PciProbe()
