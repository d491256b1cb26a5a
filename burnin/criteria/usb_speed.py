"""USB devices run as fast as they say they can, wherever they say it."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding
from burnin.records.inventory import UsbConnector, UsbDevice, UsbPart
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "usb_speed"


class UsbSpeed:
    """A fast device on a slow line points at a worn socket, a front-panel lead or a cable for charging only.

    Always advice: which device hangs in which socket during the inventory is the operator's choice. Only devices whose
    capability the kernel keeps (``bos_descriptors``, Linux 6.9 and later) can be judged.
    """

    spec: Final = CriterionSpec(title="USB devices at their full speed", needs_run=False)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding for each device below its own speed, else one for all."""
        usb = view.inventory.usb
        evidence = tuple(entry.seq for entry, _ in view.of(InventoryTaken))[:1]
        known = [item for item in usb.devices if item.capable_mbit_s and item.speed_mbit_s]
        slow = [item for item in known if (item.speed_mbit_s or 0.0) < (item.capable_mbit_s or 0.0)]
        if slow:
            return tuple(_slow(item, _socket(usb, item), evidence) for item in slow)
        reason = usb.unknown.get("*", "no attached device states what it can do")
        return (
            Finding(
                criterion=_NAME,
                slug="full" if known else "not_known",
                outcome="pass" if known else "inconclusive",
                required=bool(known),
                values={"devices": len(known)} if known else {"reason": reason},
                evidence=evidence,
            ),
        )


def _socket(usb: UsbPart, device: UsbDevice) -> UsbConnector | None:
    return next((item for item in usb.connectors if item.device and item.device.path == device.path), None)


def _slow(device: UsbDevice, socket: UsbConnector | None, evidence: tuple[int, ...]) -> Finding:
    able, runs = device.capable_mbit_s or 0.0, device.speed_mbit_s or 0.0
    fast_socket = socket is not None and socket.speed_mbit_s >= able
    return Finding(
        criterion=_NAME,
        slug="slow_in_fast_socket" if fast_socket else "slow_socket",
        outcome="pass",
        subject=device.name or device.path,
        values={"advice": True, "socket": socket.name if socket else device.path},
        observed=runs,
        limit=able,
        unit="Mbit/s",
        margin=runs - able,
        evidence=evidence,
    )


PLUGIN: Final = UsbSpeed()
