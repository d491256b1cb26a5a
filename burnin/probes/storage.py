"""Drives with their own health report, and the space left on them."""

from __future__ import annotations

from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import read_int, read_text
from burnin.host.protocol import Host
from burnin.parse.drive_health import DriveHealth, parse_drive_health
from burnin.parse.meminfo import parse_file_systems
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import Drive, FileSystem, StoragePart

_BLOCKS: Final = "/sys/block"
_NOT_DRIVES: Final = ("loop", "ram", "zram", "dm-", "md", "sr", "nbd", "fd", "drbd")
_SECTOR: Final = 512
"""The kernel counts block devices in sectors of 512 bytes, whatever the drive does (Documentation/ABI)."""
_BUSES: Final = (("/usb", "usb"), ("/nvme", "nvme"), ("/ata", "sata"), ("/virtio", "virtio"), ("/mmc", "mmc"))
_PATIENCE_S: Final = 0.7


class StorageProbe:
    """Fills the inventory's ``storage`` part."""

    spec: Final = ProbeSpec(
        title="Drives, their health, free space",
        part="storage",
        with_rights="health and wear as the drives themselves report them (needs the command smartctl)",
    )

    def probe(self, host: Host) -> StoragePart:
        """Return the drives; health only with rights and the command that asks the drive."""
        if host.resolve(_BLOCKS) is None:
            reason = "the kernel shows no block devices (no /sys/block)"
            return StoragePart(
                unknown={"*": reason if host.system == "Linux" else f"not read on {host.system}"}
            )
        unknown: dict[str, str] = {}
        names = [name for name in host.names(_BLOCKS) if not name.startswith(_NOT_DRIVES)]
        drives = tuple(drive for name in names if (drive := _drive(host, name, unknown)))
        if not drives:
            unknown["drives"] = "the kernel lists no drive"
        return StoragePart(drives=drives, file_systems=_file_systems(host, unknown), unknown=unknown)


def _drive(host: Host, name: str, unknown: dict[str, str]) -> Drive | None:
    folder = f"{_BLOCKS}/{name}"
    sectors = read_int(host, f"{folder}/size")
    place = host.resolve(folder) or ""
    bus = next((bus for part, bus in _BUSES if part in place), "")
    if sectors == 0 or "/virtual/" in place:
        return None
    health = _health(host, name, unknown)
    return Drive(
        name=name,
        model=read_text(host, f"{folder}/device/model"),
        serial=read_text(host, f"{folder}/device/serial") or read_text(host, f"{folder}/serial"),
        size_bytes=sectors * _SECTOR if sectors is not None else None,
        rotational=_flag(host, f"{folder}/queue/rotational"),
        bus=bus,
        removable=_flag(host, f"{folder}/removable"),
        firmware=read_text(host, f"{folder}/device/firmware_rev") or read_text(host, f"{folder}/device/rev"),
        wear_pct=health.wear_pct,
        healthy=health.healthy,
    )


def _flag(host: Host, path: str) -> bool | None:
    value = read_int(host, path)
    return None if value is None else value != 0


def _health(host: Host, name: str, unknown: dict[str, str]) -> DriveHealth:
    if host.kind == "this machine" and not host.with_rights:
        unknown["health"] = "administrator's rights needed"
        return DriveHealth()
    try:
        answer = host.run(
            ["smartctl", "--json", "--health", "--attributes", f"/dev/{name}"], timeout_s=_PATIENCE_S
        )
        health = parse_drive_health(answer.out)
    except (Unreadable, ParseError) as error:
        unknown["health"] = getattr(error, "reason", error.message)
        return DriveHealth()
    if health.healthy is None:
        unknown["health"] = f"{name} gives no health report"
    return health


def _file_systems(host: Host, unknown: dict[str, str]) -> tuple[FileSystem, ...]:
    try:
        table = host.run(["df", "-P", "-k"], timeout_s=_PATIENCE_S).out
        return parse_file_systems(table.decode("utf-8", "replace"))
    except (Unreadable, ParseError) as error:
        unknown["file_systems"] = getattr(error, "reason", error.message)
        return ()


PLUGIN: Final = StorageProbe()
