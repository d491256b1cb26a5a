"""USB ports to connectors: the kernel lists a port for each of a socket's two buses; people see one socket.

Format: Linux ``portX`` folders; ``peer`` ties the 2.0 and 3.x halves of one connector together (drivers/usb/core/port.c).
Seen on: described trees of ``tests/fixtures/machines``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from burnin.records.inventory import UsbConnector, UsbDevice

_KINDS: Final = ("hotplug", "hardwired", "not used", "unknown")
"""In the order in which one half of a pair overrules the other."""
_NO_PLACE: Final = "00000000"


@dataclass(frozen=True, kw_only=True)
class Port:
    """One port of one hub.

    Attributes:
        name: Kernel name, for example ``usb1-port3`` or ``1-2-port4``.
        number: Number on its hub, from 1.
        hub: Kernel name of the hub.
        controller: Host controller.
        kind: What the firmware states: ``hotplug``, ``hardwired``, ``not used`` or ``unknown``.
        location: Firmware's location number, hex digits.
        peer: Name of the other half, empty for none.
        over_current: Times it reported over-current, None where not counted.
        type_c: Whether the kernel ties it to a Type-C connector.
    """

    name: str
    number: int
    hub: str
    controller: str
    kind: str = "unknown"
    location: str = ""
    peer: str = ""
    over_current: int | None = None
    type_c: bool = False

    @property
    def device_name(self) -> str:
        """Kernel name of a device on this port."""
        return f"{self.hub[3:]}-{self.number}" if self.hub.startswith("usb") else f"{self.hub}.{self.number}"


def pair_ports(
    ports: Sequence[Port], *, devices: Mapping[str, UsbDevice], hub_speeds: Mapping[str, float]
) -> tuple[UsbConnector, ...]:
    """Return the connectors, a pair of peers counted once, in the order of their faster halves' names.

    Args:
        ports: All ports of all hubs.
        devices: Attached devices by kernel name.
        hub_speeds: Hub to its speed, Mbit/s.
    """
    by_name = {port.name: port for port in ports}
    kind_of_hub: dict[str, str] = {}
    for port in ports:
        if port.device_name in devices:
            kind_of_hub[port.device_name] = _kind([port, *_other(port, by_name)])
    seen: set[str] = set()
    connectors = []
    for port in sorted(ports, key=lambda item: (-hub_speeds.get(item.hub, 0.0), item.hub, item.number)):
        if port.name in seen:
            continue
        halves = [port, *_other(port, by_name)]
        seen.update(half.name for half in halves)
        connectors.append(_connector(halves, devices, hub_speeds, kind_of_hub))
    return tuple(connectors)


def _other(port: Port, by_name: Mapping[str, Port]) -> list[Port]:
    """Return the other half, where both ends name each other."""
    other = by_name.get(port.peer)
    return [other] if other and other.peer == port.name and other is not port else []


def _kind(halves: Sequence[Port]) -> str:
    stated = {half.kind for half in halves}
    return next((kind for kind in _KINDS if kind in stated), "unknown")


def _connector(
    halves: list[Port],
    devices: Mapping[str, UsbDevice],
    hub_speeds: Mapping[str, float],
    kind_of_hub: Mapping[str, str],
) -> UsbConnector:
    first = halves[0]
    attached = [devices[half.device_name] for half in halves if half.device_name in devices]
    counts = [half.over_current for half in halves if half.over_current is not None]
    places = [half.location for half in halves if half.location not in {"", _NO_PLACE}]
    return UsbConnector(
        name="+".join(half.name for half in halves),
        speed_mbit_s=max(hub_speeds.get(half.hub, 0.0) for half in halves),
        controller=first.controller,
        hub=first.hub,
        kind=_kind(halves),
        location=places[0] if places else "",
        device=max(attached, key=lambda device: device.speed_mbit_s or 0.0, default=None),
        over_current=sum(counts) if counts else None,
        type_c=any(half.type_c for half in halves),
        behind_hub=_behind_hub(first.hub, kind_of_hub),
    )


def _behind_hub(hub: str, kind_of_hub: Mapping[str, str]) -> bool:
    """Return whether any hub on the way up was plugged in by somebody, rather than soldered to the board."""
    while not hub.startswith("usb"):
        if kind_of_hub.get(hub) != "hardwired":
            return True
        bus, _, path = hub.partition("-")
        hub = f"{bus}-{path.rpartition('.')[0]}" if "." in path else f"usb{bus}"
    return False
