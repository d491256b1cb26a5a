"""The operating system as running."""

from __future__ import annotations

from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import read_first, read_text
from burnin.host.protocol import Host
from burnin.parse.cpuinfo import parse_cpuinfo
from burnin.parse.kernel_values import parse_assignments
from burnin.parse.small_tables import parse_sound_cards
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import SystemPart, with_reasons

_SECURE_BOOT: Final = "/sys/firmware/efi/efivars/SecureBoot-8be4df61-93ca-11d2-aa0d-00e098032b8c"
"""UEFI global variable (UEFI specification, section 3.3): four bytes of attributes, then 1 for on."""


class SystemProbe:
    """Fills the inventory's ``system`` part."""

    spec: Final = ProbeSpec(title="Kernel, distribution, start-up", part="system")

    def probe(self, host: Host) -> SystemPart:
        """Return what runs here."""
        secure_boot, secure_reason = _secure_boot(host)
        part = SystemPart(
            system=host.system or None,
            kernel=read_text(host, "/proc/sys/kernel/osrelease"),
            distribution=_distribution(host),
            machine=read_text(host, "/proc/sys/kernel/arch"),
            hypervisor=_hypervisor(host),
            secure_boot=secure_boot,
            host_name=read_text(host, "/proc/sys/kernel/hostname"),
            audio=parse_sound_cards(_lines(host, "/proc/asound/cards")),
        )
        reasons = {
            "kernel": "/proc/sys/kernel/osrelease is not there",
            "distribution": "no os-release file names it",
            "machine": "this kernel does not state it",
            "hypervisor": "/proc/cpuinfo cannot be read",
            "secure_boot": secure_reason,
            "host_name": "/proc/sys/kernel/hostname is not there",
        }
        return with_reasons(part, reasons)


def _lines(host: Host, path: str) -> str:
    return read_first(host, (path,)).decode("utf-8", "replace")


def _distribution(host: Host) -> str | None:
    for path in ("/etc/os-release", "/usr/lib/os-release"):
        values = parse_assignments(read_text(host, path) or "")
        if name := values.get("PRETTY_NAME") or values.get("NAME"):
            return name
    return None


def _hypervisor(host: Host) -> str | None:
    try:
        info = parse_cpuinfo(host.read("/proc/cpuinfo").decode("utf-8", "replace"))
    except (Unreadable, ParseError):
        return None
    if not info.hypervisor:
        return ""
    return read_text(host, "/sys/hypervisor/type") or "virtual machine"


def _secure_boot(host: Host) -> tuple[bool | None, str]:
    if host.resolve("/sys/firmware/efi") is None:
        return None, "the kernel shows no UEFI firmware"
    try:
        data = host.read(_SECURE_BOOT)
    except Unreadable as error:
        return None, error.reason
    return (
        (data[4] == 1, "")
        if len(data) == 5
        else (None, f"the firmware's variable has {len(data)} bytes, not 5")
    )


PLUGIN: Final = SystemProbe()
