"""A sketch of the machine's sockets: which are there, how fast, taken or free."""

from __future__ import annotations

from dataclasses import dataclass

from burnin.records.inventory import DisplayOutput, Inventory, Part, UsbConnector
from burnin.report.figures import link_speed, significant
from burnin.report.words import shortened, shown_text

_KINDS = {
    "hdmi": "HDMI",
    "displayport": "DisplayPort",
    "edp": "built-in panel",
    "dvi": "DVI",
    "vga": "VGA",
    "virtual": "virtual",
}


@dataclass(frozen=True, kw_only=True)
class Socket:
    """One socket in the sketch.

    Attributes:
        head: What it is and how fast.
        state: ``free``, ``taken``, ``closed`` (nothing can be plugged in) or ``unknown``, as a word.
        inside: What is plugged in.
        name: The kernel's name for it.
    """

    head: str
    state: str
    inside: str
    name: str


@dataclass(frozen=True, kw_only=True)
class SocketRow:
    """Sockets that belong together: one USB controller, or one graphics card."""

    title: str
    sockets: tuple[Socket, ...]
    reason: str = ""


def socket_rows(inventory: Inventory) -> tuple[SocketRow, ...]:
    """Return USB sockets by controller, then video outputs by card; a reason where there is nothing to show."""
    return (*_usb(inventory), *_outputs(inventory))


def _usb(inventory: Inventory) -> list[SocketRow]:
    usb = inventory.usb
    if not usb.connectors:
        reason = _reason(
            usb, "connectors", "the kernel shows no USB bus" if not usb.present else "no socket is listed"
        )
        return [SocketRow(title="USB", sockets=(), reason=reason)]
    groups: dict[str, list[UsbConnector]] = {}
    for connector in usb.connectors:
        groups.setdefault(connector.controller, []).append(connector)
    return [
        SocketRow(
            title=f"USB, controller {shown_text(name) or 'unknown'}", sockets=tuple(map(_usb_socket, same))
        )
        for name, same in groups.items()
    ]


def _reason(part: Part, field: str, otherwise: str) -> str:
    return shown_text(
        part.unknown.get(field) or part.unknown.get("*") or part.unknown.get("present") or otherwise
    )


def _usb_socket(connector: UsbConnector) -> Socket:
    device = connector.device
    inside = ""
    if device is not None:
        speed = f" at {link_speed(device.speed_mbit_s)}" if device.speed_mbit_s else ""
        inside = shortened(device.name or f"device {device.vendor_id}:{device.product_id}", 40) + speed
    state = "taken" if device is not None else "free" if connector.free else "closed"
    return Socket(
        head=link_speed(connector.speed_mbit_s),
        state=state,
        inside=inside,
        name=shortened(connector.name, 40),
    )


def _outputs(inventory: Inventory) -> list[SocketRow]:
    displays = inventory.displays
    if not displays.outputs:
        otherwise = "no output is listed" if displays.present else "the kernel shows no display driver"
        return [SocketRow(title="Video", sockets=(), reason=_reason(displays, "outputs", otherwise))]
    groups: dict[str, list[DisplayOutput]] = {}
    for output in displays.outputs:
        groups.setdefault(output.card, []).append(output)
    return [
        SocketRow(title=f"Video, {shown_text(card) or 'card unknown'}", sockets=tuple(map(_output, same)))
        for card, same in groups.items()
    ]


def _output(output: DisplayOutput) -> Socket:
    state = {"connected": "taken", "disconnected": "free"}.get(output.state, "unknown")
    inside = ""
    if output.state == "connected":
        mode = output.timings[0] if output.timings else None
        size = (
            f", {mode.width_px} \u00d7 {mode.height_px} at {significant(mode.refresh_hz)} Hz" if mode else ""
        )
        inside = shortened(output.display_name or output.display_maker or "display without a name", 40) + size
    return Socket(
        head=_KINDS.get(output.kind, shown_text(output.kind)),
        state=state,
        inside=inside,
        name=shortened(output.name, 40),
    )
