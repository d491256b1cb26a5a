"""Graphics adapters: PCI display controllers, and display drivers without one."""

from __future__ import annotations

import re
from typing import Final

from burnin.errors import ParseError
from burnin.host.attributes import link_name, read_first, read_int, read_text
from burnin.host.protocol import Host
from burnin.parse.device_names import parse_device_names
from burnin.parse.kernel_values import parse_hex_id
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import GraphicsCard, GraphicsPart

_DEVICES: Final = "/sys/bus/pci/devices"
_CLASS: Final = "/sys/class/drm"
_NAMES: Final = ("/usr/share/hwdata/pci.ids", "/usr/share/misc/pci.ids")
_CARD: Final = re.compile(r"card\d+", re.ASCII)
_DISPLAY_CLASS: Final = "0x03"
_SOFTWARE: Final = frozenset(
    {"vkms", "vgem", "simple-framebuffer", "simpledrm", "efi-framebuffer", "vesa-framebuffer"}
)
"""Drivers that draw with the processor only."""


class GraphicsProbe:
    """Fills the inventory's ``graphics`` part."""

    spec: Final = ProbeSpec(title="Graphics adapters", part="graphics")

    def probe(self, host: Host) -> GraphicsPart:
        """Return the graphics adapters; graphics memory where the driver states it to everybody."""
        if host.resolve(_DEVICES) is None and host.resolve(_CLASS) is None:
            reason = "the kernel shows neither a PCI bus nor a display driver"
            return GraphicsPart(
                unknown={"*": reason if host.system == "Linux" else f"not read on {host.system}"}
            )
        cards = (*_pci_cards(host), *_other_cards(host))
        unknown = {} if cards else {"cards": "no PCI device of the display class and no display driver"}
        if any(card.memory_bytes is None for card in cards):
            unknown["memory_bytes"] = "the driver does not state graphics memory in the kernel's files"
        return GraphicsPart(cards=cards, unknown=unknown)


def _pci_cards(host: Host) -> tuple[GraphicsCard, ...]:
    addresses = [
        name
        for name in host.names(_DEVICES)
        if (read_text(host, f"{_DEVICES}/{name}/class") or "").startswith(_DISPLAY_CLASS)
    ]
    ids = {address: (_hex(host, address, "vendor"), _hex(host, address, "device")) for address in addresses}
    known = parse_device_names(read_first(host, _NAMES), [pair for pair in ids.values() if all(pair)])
    return tuple(
        GraphicsCard(
            name=known.best(*ids[address]),
            address=address,
            driver=link_name(host, f"{_DEVICES}/{address}/driver"),
            memory_bytes=read_int(host, f"{_DEVICES}/{address}/mem_info_vram_total"),
        )
        for address in addresses
    )


def _hex(host: Host, address: str, file: str) -> str:
    try:
        return parse_hex_id(read_text(host, f"{_DEVICES}/{address}/{file}") or "", digits=4)
    except ParseError:
        return ""


def _other_cards(host: Host) -> tuple[GraphicsCard, ...]:
    """Return display drivers that belong to no PCI device."""
    cards = []
    for name in host.names(_CLASS):
        place = host.resolve(f"{_CLASS}/{name}") or ""
        if not _CARD.fullmatch(name) or "/pci" in place:
            continue
        driver = link_name(host, f"{_CLASS}/{name}/device/driver")
        software = driver in _SOFTWARE or any(f"/{word}/" in place for word in _SOFTWARE)
        cards.append(GraphicsCard(name=f"display driver {driver or name}", driver=driver, software=software))
    return tuple(cards)


PLUGIN: Final = GraphicsProbe()
