"""Mainboard, firmware and system names, from the firmware's table or from the kernel's copies of it."""

from __future__ import annotations

from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import read_text, reason_unread
from burnin.host.protocol import Host
from burnin.parse.smbios import meaningful
from burnin.parse.smbios_machine import BoardFacts, parse_firmware_date, parse_machine_table
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import BoardPart

_TABLE: Final = "/sys/firmware/dmi/tables/DMI"
_IDS: Final = "/sys/class/dmi/id"
_FILES: Final = {
    "maker": "board_vendor",
    "product": "board_name",
    "version": "board_version",
    "serial": "board_serial",
    "system_maker": "sys_vendor",
    "system_product": "product_name",
    "system_serial": "product_serial",
    "firmware_maker": "bios_vendor",
    "firmware_version": "bios_version",
    "firmware_date": "bios_date",
}


class BoardProbe:
    """Fills the inventory's ``board`` part."""

    spec: Final = ProbeSpec(
        title="Mainboard and firmware", part="board", with_rights="serial numbers of board and system"
    )

    def probe(self, host: Host) -> BoardPart:
        """Return board and firmware; what nobody filled in is None with that reason."""
        try:
            facts, table_reason = parse_machine_table(host.read(_TABLE)).board, ""
        except (Unreadable, ParseError) as error:
            facts, table_reason = BoardFacts(), getattr(error, "reason", error.message)
        values: dict[str, str | None] = {}
        unknown: dict[str, str] = {}
        for name, file in _FILES.items():
            values[name] = getattr(facts, name) or _kernel_copy(host, name, file)
            if values[name] is None:
                unknown[name] = _reason(host, file, table_reason)
        if not any(values.values()) and host.resolve(_IDS) is None:
            unknown = {"*": f"the firmware's table (SMBIOS): {table_reason or 'it names nothing'}"}
        return BoardPart(**values, unknown=unknown)


def _kernel_copy(host: Host, name: str, file: str) -> str | None:
    text = meaningful(read_text(host, f"{_IDS}/{file}") or "")
    return parse_firmware_date(text) if name == "firmware_date" else text


def _reason(host: Host, file: str, table_reason: str) -> str:
    return reason_unread(host, f"{_IDS}/{file}") or table_reason or "the maker left it empty"


PLUGIN: Final = BoardProbe()
