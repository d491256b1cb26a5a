"""USB: controllers, connectors (a 2.0 and 3.x pair counted once), and what is plugged in."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.attributes import link_name, read_first, read_int, read_number, read_text
from burnin.host.protocol import Host
from burnin.parse.device_names import DeviceNames, parse_device_names
from burnin.parse.kernel_values import parse_hex_id
from burnin.parse.usb_descriptors import parse_capable_speed
from burnin.parse.usb_ports import Port, pair_ports
from burnin.plugin.contracts import ProbeSpec
from burnin.records.inventory import UsbController, UsbDevice, UsbPart

_DEVICES: Final = "/sys/bus/usb/devices"
_NAMES: Final = ("/usr/share/hwdata/usb.ids", "/usr/share/misc/usb.ids")
_DEVICE: Final = re.compile(r"usb\d+|\d+-\d+(\.\d+)*", re.ASCII)
_PORT: Final = re.compile(r".+-port\d{1,3}", re.ASCII)
_HUB: Final = 9
_MOST_PORTS: Final = 255
"""A hub descriptor counts its ports in one byte."""


class UsbProbe:
    """Fills the inventory's ``usb`` part."""

    spec: Final = ProbeSpec(title="USB controllers, connectors and devices", part="usb")

    def probe(self, host: Host) -> UsbPart:
        """Return the USB tree; ``present`` is None where the kernel shows no bus."""
        if host.resolve(_DEVICES) is None:
            return UsbPart(unknown={"*": _no_bus(host)})
        names = [name for name in host.names(_DEVICES) if _DEVICE.fullmatch(name)]
        places = {name: host.resolve(f"{_DEVICES}/{name}") or "" for name in names}
        controllers = {name: _controller(places, name) for name in names}
        known = parse_device_names(read_first(host, _NAMES), _ids(host, names))
        devices = {name: _device(host, name, known, controllers[name]) for name in names}
        ports = [
            port for name in names if devices[name].hub for port in _ports(host, name, controllers[name])
        ]
        attached = {name: device for name, device in devices.items() if not name.startswith("usb")}
        return UsbPart(
            present=True,
            controllers=_controllers(devices, controllers),
            connectors=pair_ports(ports, devices=attached, hub_speeds=_speeds(devices)),
            devices=tuple(attached.values()),
        )


def _no_bus(host: Host) -> str:
    if host.system != "Linux":
        return f"not read on {host.system}"
    return "the kernel shows no USB bus (no /sys/bus/usb)"


def _speeds(devices: dict[str, UsbDevice]) -> dict[str, float]:
    return {name: device.speed_mbit_s or 0.0 for name, device in devices.items()}


def _controller(places: dict[str, str], name: str) -> str:
    root = name if name.startswith("usb") else f"usb{name.split('-', maxsplit=1)[0]}"
    parts = places.get(root, "").rsplit("/", 2)
    return parts[-2] if len(parts) == 3 else ""


def _controllers(devices: dict[str, UsbDevice], controllers: dict[str, str]) -> tuple[UsbController, ...]:
    roots: dict[str, list[str]] = {}
    for name in devices:
        if name.startswith("usb"):
            roots.setdefault(controllers[name], []).append(name)
    return tuple(
        UsbController(
            name=controller,
            root_hubs=tuple(hubs),
            speed_mbit_s=max((devices[hub].speed_mbit_s or 0.0 for hub in hubs), default=0.0) or None,
        )
        for controller, hubs in sorted(roots.items())
    )


def _hex_id(host: Host, path: str) -> str:
    try:
        return parse_hex_id(read_text(host, path) or "", digits=4)
    except ParseError:
        return ""


def _ids(host: Host, names: Iterable[str]) -> list[tuple[str, str]]:
    pairs = [
        (_hex_id(host, f"{_DEVICES}/{name}/idVendor"), _hex_id(host, f"{_DEVICES}/{name}/idProduct"))
        for name in names
    ]
    return [pair for pair in pairs if all(pair)]


def _device(host: Host, name: str, known: DeviceNames, controller: str) -> UsbDevice:
    folder = f"{_DEVICES}/{name}"
    vendor, product = _hex_id(host, f"{folder}/idVendor"), _hex_id(host, f"{folder}/idProduct")
    stated = [read_text(host, f"{folder}/{file}") for file in ("manufacturer", "product")]
    speed = read_number(host, f"{folder}/speed")
    drivers = {
        link_name(host, f"{folder}/{entry}/driver")
        for entry in host.names(folder)
        if entry.startswith(f"{name}:")
    }
    power = re.match(r"(\d{1,5})mA", read_text(host, f"{folder}/bMaxPower") or "", re.ASCII)
    return UsbDevice(
        path=name,
        vendor_id=vendor,
        product_id=product,
        name=" ".join(part for part in stated if part) or known.best(vendor, product),
        speed_mbit_s=speed,
        capable_mbit_s=_capable(host, folder, speed),
        hub=read_int(host, f"{folder}/bDeviceClass", base=16) == _HUB,
        max_power_ma=int(power[1]) if power else None,
        drivers=tuple(sorted(drivers - {""})),
        controller=controller,
    )


def _capable(host: Host, folder: str, speed: float | None) -> float | None:
    try:
        stated = parse_capable_speed(host.read(f"{folder}/bos_descriptors"))
    except (Unreadable, ParseError):
        return None
    return max(stated, speed or 0.0) if stated else None


def _ports(host: Host, hub: str, controller: str) -> list[Port]:
    """Return a hub's ports; kernels before 3.9 have no port folders, there the hub's count stands in, unexplained."""
    folder = f"{_DEVICES}/{hub}"
    interface = f"{folder}/{hub[3:]}-0:1.0" if hub.startswith("usb") else f"{folder}/{hub}:1.0"
    names = [name for name in host.names(interface) if _PORT.fullmatch(name)]
    if not names:
        count = min(read_int(host, f"{folder}/maxchild") or 0, _MOST_PORTS)
        return [
            Port(name=f"{hub}-port{number}", number=number, hub=hub, controller=controller)
            for number in range(1, count + 1)
        ]
    return [_port(host, f"{interface}/{name}", hub, controller) for name in names]


def _port(host: Host, path: str, hub: str, controller: str) -> Port:
    name = path.rsplit("/", 1)[-1]
    return Port(
        name=name,
        number=int(name.rsplit("-port", 1)[-1]),
        hub=hub,
        controller=controller,
        kind=read_text(host, f"{path}/connect_type") or "unknown",
        location=(read_text(host, f"{path}/location") or "").removeprefix("0x"),
        peer=link_name(host, f"{path}/peer"),
        over_current=read_int(host, f"{path}/over_current_count"),
        type_c=host.resolve(f"{path}/connector") is not None,
    )


PLUGIN: Final = UsbProbe()
