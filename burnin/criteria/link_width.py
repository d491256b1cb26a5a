"""PCI links are as wide and as fast as both of their ends allow, and the graphics card sits in a slot of full width."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from burnin.calc.run_facts import loads_in, resource_of, stage_runs
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import InventoryTaken
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import PciDevice
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "link_width"
_DISPLAY: Final = "03"
_BRIDGE: Final = "0604"
_NEEDS: Final = {"03": "graphics", "01": "storage"}
"""Class of a part to the kind of load that makes its link run at full speed."""


class LinkWidth:
    """A link narrower than both ends allow points at a seat, a riser or a dirty contact.

    Cards let their link *speed* fall when idle, so a slow link counts only against the fastest speed seen in any inventory
    of the run, and stays open where none was taken while the part on it was loaded: a graphics card by graphics loads, a
    drive by storage loads, anything else by any load. Links that an empty socket or a device inside the
    chip set do not state are left out.
    """

    spec: Final = CriterionSpec(
        title="PCI links at full width",
        needs_run=False,
        params=(
            Param(
                name="on_mistake",
                default="fail",
                about="What a narrow link means: fail, or advise (a pass that says so)",
                choices=("fail", "advise"),
            ),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding for each link out of order, else one for all links."""
        taken = list(view.of(InventoryTaken))
        evidence = tuple(entry.seq for entry, _ in taken)[:50]
        last = {item.address: item for _, event in taken for item in event.inventory.pci.devices}
        mistake: Outcome = "fail" if params["on_mistake"] == "fail" else "pass"
        busy = _loaded_resources(view)
        fastest: dict[str, float] = {}
        for _, event in taken:
            for item in event.inventory.pci.devices:
                fastest[item.address] = max(fastest.get(item.address, 0.0), item.speed_gts or 0.0)
        links = [item for item in last.values() if _has_link(item, last)]
        if not links:
            reasons = view.inventory.pci.unknown
            reason = reasons.get("*", "the kernel states no PCI link with a port above it")
            return (_open("not_known", {"reason": reason}, evidence),)
        found = [
            finding
            for item in links
            for finding in (
                *_narrow(item, last, mistake, evidence),
                *_slow(
                    item,
                    fastest[item.address],
                    len(taken) > 1 and _was_loaded(_below(item, last), busy),
                    mistake,
                    evidence,
                ),
            )
        ]
        whole = Finding(
            criterion=_NAME, slug="full", outcome="pass", values={"links": len(links)}, evidence=evidence
        )
        return tuple(found) or (whole,)


def _loaded_resources(view: RunView) -> frozenset[str]:
    """Return which kinds of load were at work while an inventory was taken."""
    moments = [entry.t_ns for entry, _ in view.of(InventoryTaken)]
    return frozenset(
        resource_of(load)
        for run in stage_runs(view)
        for load in loads_in(view, run)
        if any(run.span.start_ns <= moment <= run.span.end_ns for moment in moments)
    )


def _was_loaded(part: PciDevice, busy: frozenset[str]) -> bool:
    needed = _NEEDS.get(part.class_id[:2])
    return bool(busy) if needed is None else needed in busy


def _has_link(item: PciDevice, devices: Mapping[str, PciDevice]) -> bool:
    """Return whether a device stands at the lower end of a link.

    A bridge does so at every odd depth below a root port (the upstream port of a switch); at even depth it is one of the
    switch's own lower ports, and the figures it states are those of the link below it.
    """
    if not (item.width and item.max_width and item.parent_max_width):
        return False
    return not item.class_id.startswith(_BRIDGE) or _depth(item, devices) % 2 == 1


def _depth(item: PciDevice, devices: Mapping[str, PciDevice]) -> int:
    depth = 0
    above = devices.get(item.parent)
    while above is not None and depth < 32:
        depth += 1
        above = devices.get(above.parent)
    return depth


def _below(item: PciDevice, devices: Mapping[str, PciDevice]) -> PciDevice:
    """Return the display device at or below ``item``, else the device itself: the part people can name."""
    for other in devices.values():
        here: PciDevice | None = other if other.class_id.startswith(_DISPLAY) else None
        for _ in range(32):
            if here is None:
                break
            if here.address == item.address:
                return other
            here = devices.get(here.parent)
    return item


def _narrow(
    item: PciDevice, devices: Mapping[str, PciDevice], mistake: Outcome, evidence: tuple[int, ...]
) -> Iterator[Finding]:
    width, own, above = item.width or 0, item.max_width or 0, item.parent_max_width or 0
    part = _below(item, devices)
    values: dict[str, Scalar] = {
        "advice": True,
        "address": part.address,
        "own_lanes": own,
        "port_lanes": above,
        "port": item.parent,
    }
    if width < min(own, above):
        yield Finding(
            criterion=_NAME,
            slug="narrow",
            outcome=mistake,
            subject=part.name,
            values=values,
            observed=float(width),
            limit=float(min(own, above)),
            unit="lanes",
            margin=float(width - min(own, above)),
            evidence=evidence,
        )
    if above < own and part.class_id.startswith(_DISPLAY):
        half = above * 2 >= own
        yield Finding(
            criterion=_NAME,
            slug="half_slot" if half else "narrow_slot",
            outcome="pass" if half else mistake,
            subject=part.name,
            values=values,
            observed=float(above),
            limit=float(own),
            unit="lanes",
            margin=float(above - own),
            evidence=evidence,
        )


def _slow(
    item: PciDevice, seen_gts: float, loaded: bool, mistake: Outcome, evidence: tuple[int, ...]
) -> Iterator[Finding]:
    able = min(item.max_speed_gts or 0.0, item.parent_max_speed_gts or 0.0)
    if not seen_gts or not able or seen_gts >= able:
        return
    yield Finding(
        criterion=_NAME,
        slug="slow" if loaded else "slow_when_idle",
        outcome=mistake if loaded else "inconclusive",
        required=loaded,
        subject=item.name,
        values={"address": item.address, "advice": loaded},
        observed=seen_gts,
        limit=able,
        unit="GT/s",
        margin=seen_gts - able,
        evidence=evidence,
    )


def _open(slug: str, values: dict[str, Scalar], evidence: tuple[int, ...]) -> Finding:
    return Finding(
        criterion=_NAME, slug=slug, outcome="inconclusive", required=False, values=values, evidence=evidence
    )


PLUGIN: Final = LinkWidth()
