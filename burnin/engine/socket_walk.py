"""One known stick walked round every USB socket: what each one showed, and which were left out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

from burnin.host.protocol import Clock
from burnin.host.stick import ReadBack
from burnin.records.inventory import UsbConnector, UsbDevice, UsbPart

TryOutcome = Literal["good", "slow", "partly", "wrong", "unread", "nothing"]

PATIENCE_S: Final = 20.0
"""How long a stick may take to appear at a socket, mounted."""

SUPER_MBIT_S: Final = 5000.0
"""From here on a socket has the further pairs of wires that a 2.0 stick does not try."""

_EVERY_NS: Final = 500_000_000


@dataclass(frozen=True, kw_only=True)
class Tried:
    """One try at one socket.

    Attributes:
        socket: Kernel names of the socket's ports, empty where nothing appeared.
        label: What people call the socket.
        outcome: ``good``; ``slow`` below what both ends can do; ``partly``: the stick cannot try the fast wires;
            ``wrong`` content; ``unread``: no content was read; ``nothing`` appeared.
        turned: The plug was the other way up.
        type_c: The socket is a Type-C connector.
        speed_mbit_s: Negotiated speed; 0 where nothing appeared.
        socket_mbit_s: Fastest generation of the socket.
        rate_mb_s: Rate of the verified read, 0 where none was made.
        detail: More, in plain words.
    """

    socket: str = ""
    label: str = ""
    outcome: TryOutcome
    turned: bool = False
    type_c: bool = False
    speed_mbit_s: float = 0.0
    socket_mbit_s: float = 0.0
    rate_mb_s: float = 0.0
    detail: str = ""


@dataclass(frozen=True, kw_only=True)
class Stick:
    """Which stick is walked round."""

    vendor_id: str
    product_id: str
    name: str = ""


class SocketWalk:
    """Waits for the stick at one socket after the other.

    Args:
        look: Reads the USB tree.
        stick: Which stick to wait for.
        read: Reads the stick's known file; None where there is no folder to read from.
        clock: Clocks.
    """

    def __init__(
        self,
        look: Callable[[], UsbPart],
        stick: Stick,
        *,
        read: Callable[[str], ReadBack] | None,
        clock: Clock,
    ) -> None:
        self._look = look
        self._stick = stick
        self._read = read
        self._clock = clock

    def wait_for_stick(self, *, turned: bool = False) -> Tried:
        """Return what the stick shows at the socket it is in, after ``PATIENCE_S`` at the latest."""
        deadline_ns = self._clock.mono_ns() + round(PATIENCE_S * 1e9)
        tried = Tried(outcome="nothing", turned=turned)
        while True:
            device = self._found()
            if device is not None:
                tried = self._at(*device, turned=turned)
                if tried.outcome != "unread" or self._read is None:
                    return tried
            if self._clock.mono_ns() >= deadline_ns:
                return tried
            self._clock.sleep_until(self._clock.mono_ns() + _EVERY_NS)

    def _found(self) -> tuple[UsbPart, UsbDevice] | None:
        usb = self._look()
        for device in usb.devices:
            if (device.vendor_id, device.product_id) == (self._stick.vendor_id, self._stick.product_id):
                return usb, device
        return None

    def _at(self, usb: UsbPart, device: UsbDevice, *, turned: bool) -> Tried:
        socket = next((one for one in usb.connectors if one.device and one.device.path == device.path), None)
        seen = (
            self._read(device.path) if self._read else ReadBack(right=False, detail="no folder to read from")
        )
        outcome: TryOutcome = "good" if seen.right else "wrong" if seen.rate_mb_s else "unread"
        return Tried(
            socket=socket.name if socket else device.path,
            outcome=outcome,
            turned=turned,
            type_c=socket.type_c if socket else False,
            speed_mbit_s=device.speed_mbit_s or 0.0,
            socket_mbit_s=socket.speed_mbit_s if socket else 0.0,
            rate_mb_s=seen.rate_mb_s,
            detail=seen.detail,
        )


def judged(tries: Iterable[Tried], *, able_mbit_s: float | None) -> tuple[Tried, ...]:
    """Return the tries with the speed judged, now that it is known how fast the stick can be.

    Args:
        tries: In order.
        able_mbit_s: What the stick says it can do, None where unknown; the fastest seen anywhere counts as well.
    """
    every = tuple(tries)
    able = max([able_mbit_s or 0.0, *(each.speed_mbit_s for each in every)], default=0.0)
    return tuple(replace(each, outcome=_outcome(each, able)) for each in every)


def _outcome(tried: Tried, able_mbit_s: float) -> TryOutcome:
    if tried.outcome in {"nothing", "wrong"}:
        return tried.outcome
    if tried.speed_mbit_s < min(able_mbit_s, tried.socket_mbit_s):
        return "slow"
    if tried.outcome == "unread":
        return "unread"
    return "partly" if able_mbit_s < SUPER_MBIT_S <= tried.socket_mbit_s else "good"


def untried(usb: UsbPart, tries: Iterable[Tried]) -> tuple[UsbConnector, ...]:
    """Return the machine's own reachable sockets that were not tried: not wired in, not behind a hub, not taken."""
    seen = {each.socket for each in tries}
    return tuple(
        one
        for one in usb.connectors
        if one.name not in seen and not one.behind_hub and one.kind not in {"hardwired", "not used"}
    )


def exit_code_of(tries: tuple[Tried, ...], left: tuple[UsbConnector, ...]) -> int:
    """Return 1 when a socket failed, 3 when one was left out or tried in part only, else 0."""
    outcomes = {each.outcome for each in tries}
    if outcomes & {"nothing", "wrong", "slow"}:
        return 1
    turned = {each.socket for each in tries if each.turned}
    one_way = any(each.type_c and each.socket not in turned for each in tries)
    return 3 if not tries or left or one_way or outcomes & {"unread", "partly"} else 0
