"""Video outputs and the displays attached to them."""

from __future__ import annotations

import re
from typing import Final

from msgspec.structs import replace

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import read_first, read_text
from burnin.host.protocol import Host
from burnin.parse.device_names import parse_maker_names
from burnin.parse.edid import Edid, parse_edid
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import DisplayOutput, DisplayPart

_CLASS: Final = "/sys/class/drm"
_NAMES: Final = ("/usr/share/hwdata/pnp.ids", "/usr/share/misc/pnp.ids")
_OUTPUT: Final = re.compile(r"(card\d+)-(.+)-(\d+)", re.ASCII)
_KINDS: Final = {
    "HDMI-A": "hdmi",
    "HDMI-B": "hdmi",
    "DP": "displayport",
    "eDP": "edp",
    "DVI-D": "dvi",
    "DVI-I": "dvi",
    "DVI-A": "dvi",
    "VGA": "vga",
    "Virtual": "virtual",
}
"""Connector names of the kernel (drivers/gpu/drm/drm_connector.c) to kinds."""


class DisplayProbe:
    """Fills the inventory's ``displays`` part."""

    spec: Final = ProbeSpec(title="Video outputs and attached displays", part="displays")

    def probe(self, host: Host) -> DisplayPart:
        """Return the video outputs; ``present`` is None where the kernel shows no display driver."""
        if host.resolve(_CLASS) is None:
            return DisplayPart(unknown={"*": _no_driver(host)})
        names = [name for name in host.names(_CLASS) if _OUTPUT.fullmatch(name) and "-Writeback-" not in name]
        found = [(name, *_identification(host, name)) for name in names]
        makers = parse_maker_names(read_first(host, _NAMES), [edid.maker for _, edid, _, _ in found if edid])
        return DisplayPart(
            present=True,
            outputs=tuple(
                _output(host, name, edid=edid, size=size, trouble=trouble, makers=makers)
                for name, edid, size, trouble in found
            ),
        )


def _no_driver(host: Host) -> str:
    if host.system != "Linux":
        return f"not read on {host.system}"
    return "the kernel shows no display driver (no /sys/class/drm)"


def _identification(host: Host, name: str) -> tuple[Edid | None, int, str]:
    try:
        data = host.read(f"{_CLASS}/{name}/edid")
    except Unreadable:
        return None, 0, ""
    if not data:
        return None, 0, ""
    try:
        edid = parse_edid(data)
    except ParseError as error:
        return None, len(data), error.message
    return edid, len(data), "; ".join(edid.troubles)


def _output(
    host: Host, name: str, *, edid: Edid | None, size: int, trouble: str, makers: dict[str, str]
) -> DisplayOutput:
    match = _OUTPUT.fullmatch(name)
    card, connector = (match[1], match[2]) if match else ("", "")
    enabled = read_text(host, f"{_CLASS}/{name}/enabled")
    modes = (read_text(host, f"{_CLASS}/{name}/modes") or "").split()
    output = DisplayOutput(
        name=name,
        kind=_KINDS.get(connector, "other"),
        state=read_text(host, f"{_CLASS}/{name}/status") or "unknown",
        enabled=None if enabled is None else enabled == "enabled",
        card=card,
        modes=tuple(dict.fromkeys(modes)),
        edid_size_bytes=size,
        edid_trouble=trouble,
    )
    return output if edid is None else _with_edid(output, edid, makers)


def _with_edid(output: DisplayOutput, edid: Edid, makers: dict[str, str]) -> DisplayOutput:
    limits = edid.limits
    return replace(
        output,
        display_maker=makers.get(edid.maker, edid.maker),
        display_name=edid.name,
        display_serial=edid.serial or (str(edid.serial_number) if edid.serial_number else None),
        timings=edid.timings,
        max_tmds_mhz=edid.max_tmds_mhz,
        edid_version=edid.version,
        made=edid.year,
        refresh_range_hz=(limits.low_hz, limits.high_hz) if limits else (),
        max_clock_mhz=limits.max_clock_mhz if limits else None,
        max_frl_gbit_s=edid.max_frl_gbit_s,
    )


PLUGIN: Final = DisplayProbe()
