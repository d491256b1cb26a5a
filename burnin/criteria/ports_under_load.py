"""Ports hold under load: no device, display or link is lost, no over-current counted, nothing logged about USB."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from burnin.parse.kernel_log import classify
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken, KernelLine
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import Inventory
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "ports_under_load"
_COUNTS: Final = ("link_losses", "receive_errors")


class PortsUnderLoad:
    """The inventory taken before the load against those taken under it, and the kernel's lines about USB trouble.

    What is gone may have been unplugged by somebody, so it stays open; over-current is evidence. Lines about devices
    that come and go are not held against the machine, errors and resets are, if the plan says so.
    """

    spec: Final = CriterionSpec(
        title="Ports hold under load",
        params=(
            Param(
                name="on_mistake",
                default="advise",
                about="What lines about USB trouble mean: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each loss, else one that says how often the ports were looked at."""
        taken = list(view.of(InventoryTaken))
        evidence = tuple(entry.seq for entry, _ in taken)[:50]
        found: list[Finding] = []
        if len(taken) > 1:
            found += _lost(taken[0][1].inventory, taken[-1][1].inventory, evidence)
        found += _logged(view, "fail" if params.get("on_mistake") == "fail" else "pass")
        if found:
            return tuple(found)
        looked = len(taken) > 1
        whole = Finding(
            criterion=_NAME,
            slug="quiet" if looked else "one_look",
            outcome="pass" if looked else "inconclusive",
            required=False,
            values={"looks": len(taken)},
            evidence=evidence,
        )
        return (whole,)


def _lost(before: Inventory, later: Inventory, evidence: tuple[int, ...]) -> Iterator[Finding]:
    counts = {one.name: one.over_current for one in later.usb.connectors}
    for connector in before.usb.connectors:
        rise = (counts.get(connector.name) or 0) - (connector.over_current or 0)
        if connector.over_current is not None and rise > 0:
            yield _counted("over_current", connector.name, float(rise), evidence)
    still = {(one.path, one.vendor_id, one.product_id) for one in later.usb.devices}
    for device in before.usb.devices if later.usb.present else ():
        if (device.path, device.vendor_id, device.product_id) not in still:
            yield _gone("gone", device.name or device.path, evidence)
    shown = {one.name for one in later.displays.outputs if one.state == "connected"}
    for output in before.displays.outputs:
        if output.state == "connected" and output.name not in shown:
            yield _gone("display_gone", output.name, evidence)
    ports = {one.name: one for one in later.network.ports}
    for port in before.network.ports:
        for what in _COUNTS:
            old, new = getattr(port, what), getattr(ports.get(port.name), what, None)
            if old is not None and new is not None and new > old:
                yield _counted(what, port.name, float(new - old), evidence)


def _gone(slug: str, subject: str, evidence: tuple[int, ...]) -> Finding:
    return Finding(
        criterion=_NAME, slug=slug, outcome="inconclusive", required=False, subject=subject, evidence=evidence
    )


def _counted(slug: str, subject: str, rise: float, evidence: tuple[int, ...]) -> Finding:
    hard = slug == "over_current"
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome="fail" if hard else "inconclusive",
        required=hard,
        subject=subject,
        observed=rise,
        limit=0.0,
        unit="count",
        margin=-rise,
        evidence=evidence,
    )


def _logged(view: RunView, mistake: Outcome) -> list[Finding]:
    lines = [
        (entry.seq, event.text) for entry, event in view.of(KernelLine) if classify(event.text) == "usb_fault"
    ]
    if not lines:
        return []
    return [
        Finding(
            criterion=_NAME,
            slug="usb_log",
            outcome=mistake,
            required=mistake == "fail",
            values={"line": lines[0][1], "count": len(lines), "advice": True},
            evidence=tuple(seq for seq, _ in lines[:50]),
        )
    ]


PLUGIN: Final = PortsUnderLoad()
