"""Network ports with link speed, errors, and the signal of radios."""

from __future__ import annotations

from typing import Final

from burnin.host.attributes import link_name, read_first, read_int, read_text
from burnin.host.protocol import Host
from burnin.parse.small_tables import parse_radio_levels
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import NetworkPart, NetworkPort

_CLASS: Final = "/sys/class/net"


class NetworkProbe:
    """Fills the inventory's ``network`` part."""

    spec: Final = ProbeSpec(title="Network ports, wired and radio", part="network")

    def probe(self, host: Host) -> NetworkPart:
        """Return the ports that belong to hardware; loops, bridges and tunnels are left out."""
        if host.resolve(_CLASS) is None:
            reason = "the kernel shows no network ports (no /sys/class/net)"
            return NetworkPart(
                unknown={"*": reason if host.system == "Linux" else f"not read on {host.system}"}
            )
        levels = parse_radio_levels(read_first(host, ("/proc/net/wireless",)).decode("utf-8", "replace"))
        names = [name for name in host.names(_CLASS) if host.resolve(f"{_CLASS}/{name}/device") is not None]
        ports = tuple(_port(host, name, levels.get(name)) for name in names)
        return NetworkPart(
            ports=ports, unknown={} if ports else {"ports": "no network port belongs to hardware"}
        )


def _port(host: Host, name: str, signal_dbm: float | None) -> NetworkPort:
    folder = f"{_CLASS}/{name}"
    speed = read_int(host, f"{folder}/speed")
    state = read_text(host, f"{folder}/operstate")
    radio = any(host.resolve(f"{folder}/{entry}") is not None for entry in ("wireless", "phy80211"))
    return NetworkPort(
        name=name,
        wireless=radio,
        mac=read_text(host, f"{folder}/address") or "",
        speed_mbit_s=speed if speed is not None and speed > 0 else None,
        up={"up": True, "down": False, "lowerlayerdown": False}.get(state or ""),
        driver=link_name(host, f"{folder}/device/driver"),
        receive_errors=read_int(host, f"{folder}/statistics/rx_errors"),
        transmit_errors=read_int(host, f"{folder}/statistics/tx_errors"),
        link_losses=read_int(host, f"{folder}/carrier_down_count"),
        signal_dbm=signal_dbm,
    )


PLUGIN: Final = NetworkProbe()
