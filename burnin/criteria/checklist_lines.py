"""Every line of the headset checklist, judged with what was seen; what cannot be measured waits for the operator."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from burnin.calc.display_link import HDMI_TMDS_MHZ, payload_gbps
from burnin.calc.display_timing import Blanking, timing
from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import InventoryTaken, OperatorAnswered
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import DisplayOutput, GraphicsCard, Inventory, UsbConnector
from burnin.records.paperwork import Answer, ChecklistLine
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "checklist_lines"
_GIB: Final = 1 << 30
_GB: Final = 10**9
_REFRESH_SLACK_HZ: Final = 0.5
"""Reduced blanking gives up to 0.2 Hz less than the nominal refresh (2160x1200 at 90: 89.94)."""
_USB_CLASS: Final = "0c03"
_WIDE_MACHINES: Final = frozenset({"x86_64", "amd64", "aarch64", "arm64", "riscv64", "ppc64le", "s390x"})


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What the machine shows about one line."""

    slug: str
    outcome: Outcome
    values: dict[str, Scalar] = field(default_factory=dict)
    observed: float | None = None


class ChecklistLines:
    """A line passes on evidence, fails on evidence, and is inconclusive without.

    A bus that the kernel does not show proves nothing: inconclusive. A bus with too few ports is evidence: fail. An
    empty video socket has no identification data and no known version: inconclusive, with what to look at. An operator's
    yes decides only what could not be measured; an operator's no always fails the line.
    """

    spec: Final = CriterionSpec(title="Headset checklist, line by line", needs_run=False)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding for each line; not applicable only where the run has no checklist."""
        checklist = view.opened.checklist
        if checklist is None:
            return (Finding(criterion=_NAME, slug="no_checklist", outcome="not_applicable", required=False),)
        taken = [entry.seq for entry, _ in view.of(InventoryTaken)]
        answers = {event.answer.line: (entry.seq, event.answer) for entry, event in view.of(OperatorAnswered)}
        findings = []
        for line in checklist.lines:
            seen = _JUDGES[line.kind](line, view.inventory) if taken else _no_inventory(line)
            seq, answer = answers.get(line.id, (None, None))
            findings.append(
                _finding(line, _with_answer(seen, answer), taken[:1] + ([seq] if seq is not None else []))
            )
        return tuple(findings)


def _finding(line: ChecklistLine, seen: _Seen, evidence: list[int]) -> Finding:
    known = seen.observed is not None and line.at_least is not None
    return Finding(
        criterion=_NAME,
        slug=seen.slug,
        outcome=seen.outcome,
        subject=line.id,
        values={
            "text": line.text, "why": line.why, "look_at": line.look_at, "source": line.source, **seen.values
        },
        observed=seen.observed,
        limit=line.at_least if known else None,
        unit=line.unit if known else "",
        margin=seen.observed - line.at_least if seen.observed is not None and line.at_least is not None else None,
        evidence=tuple(evidence),
    )  # fmt: skip


def _with_answer(seen: _Seen, answer: Answer | None) -> _Seen:
    if answer is None:
        return seen
    values = {**seen.values, "remark": answer.remark or "no remark", "measured": seen.slug}
    if answer.answer == "no":
        return _Seen(slug="operator_no", outcome="fail", values=values, observed=seen.observed)
    if seen.outcome == "inconclusive":
        return _Seen(slug="operator_yes", outcome="pass", values=values)
    slug = "operator_agrees" if seen.outcome == "pass" else "operator_contradicts"
    return _Seen(slug=slug, outcome=seen.outcome, values=values, observed=seen.observed)


def _no_inventory(line: ChecklistLine) -> _Seen:  # noqa: ARG001 - stands in for a judge of any line
    return _Seen(slug="no_inventory", outcome="inconclusive")


def _bounded(name: str, observed: float, line: ChecklistLine) -> _Seen:
    """Hold a figure against the line's limit."""
    enough = observed >= (line.at_least or 0.0)
    return _Seen(
        slug=f"{name}_enough" if enough else f"{name}_short",
        outcome="pass" if enough else "fail",
        observed=observed,
    )


def _memory_size(line: ChecklistLine, inventory: Inventory) -> _Seen:
    """Memory is sold in binary gigabytes; what the kernel can use is less than what is installed."""
    memory = inventory.memory
    if memory.installed_bytes is not None:
        return _bounded("memory", memory.installed_bytes / _GIB, line)
    if memory.usable_bytes is None:
        return _unknown("memory_unknown", memory.unknown, "usable_bytes")
    usable = memory.usable_bytes / _GIB
    if usable >= (line.at_least or 0.0) or usable < (line.at_least or 0.0) / 2:
        return _bounded("memory", usable, line)
    reason = memory.unknown.get("installed_bytes", "installed memory is not stated")
    return _Seen(
        slug="memory_reserved", outcome="inconclusive", values={"usable_gb": usable, "reason": reason}
    )


def _cpu_cores(line: ChecklistLine, inventory: Inventory) -> _Seen:
    if inventory.cpu.physical is None:
        return _unknown("cores_unknown", inventory.cpu.unknown, "physical")
    return _bounded("cores", float(inventory.cpu.physical), line)


def _unknown(slug: str, unknown: dict[str, str], name: str) -> _Seen:
    reason = unknown.get(name) or unknown.get("*") or "not read"
    return _Seen(slug=slug, outcome="inconclusive", values={"reason": reason})


def _usb_free_ports(line: ChecklistLine, inventory: Inventory) -> _Seen:
    usb = inventory.usb
    if not usb.present:
        return _unknown("usb_bus_absent", usb.unknown, "present")
    fast = [item for item in usb.connectors if _counts(item, line)]
    free = [item for item in fast if item.free]
    sure = [item for item in free if item.kind == "hotplug"]
    values = _usb_values(fast, free, sure)
    needed = int(line.at_least or 0)
    spread = line.distinct_controllers or 1
    if len(sure) >= needed and _controllers(sure) >= min(spread, needed):
        return _Seen(slug="usb_enough", outcome="pass", values=values, observed=float(len(sure)))
    idle = [
        item.address
        for item in inventory.pci.devices
        if item.class_id.startswith(_USB_CLASS) and not item.driver
    ]
    if idle:
        return _Seen(slug="usb_driver_absent", outcome="inconclusive", values={**values, "address": idle[0]})
    if len(free) >= needed and _controllers(free) >= min(spread, needed):
        return _Seen(slug="usb_unproven", outcome="inconclusive", values=values)
    slug = "usb_short" if len(free) < needed else "usb_controllers_short"
    return _Seen(slug=slug, outcome="fail", values={**values, "spread": spread}, observed=float(len(free)))


def _counts(connector: UsbConnector, line: ChecklistLine) -> bool:
    """Return whether a connector is the machine's own, can be reached, and is fast enough."""
    fast = connector.speed_mbit_s >= (line.generation_mbit_s or 0.0)
    return fast and not connector.behind_hub and connector.kind not in {"hardwired", "not used"}


def _controllers(connectors: list[UsbConnector]) -> int:
    return len({item.controller for item in connectors})


def _usb_values(
    fast: list[UsbConnector], free: list[UsbConnector], sure: list[UsbConnector]
) -> dict[str, Scalar]:
    taken = sorted(item.device.name for item in fast if item.device)
    return {
        "sockets": len(fast),
        "free": len(free),
        "described": len(sure),
        "taken_by": ", ".join(taken) or "nothing",
        "controllers": _controllers(free),
        "names": ", ".join(item.name for item in free) or "none",
    }


def _video_output(line: ChecklistLine, inventory: Inventory) -> _Seen:
    displays = inventory.displays
    values = _video_needs(line)
    if not displays.present:
        seen = _unknown("video_driver_absent", displays.unknown, "present")
        return _Seen(slug=seen.slug, outcome="inconclusive", values={**values, **seen.values})
    real = [item for item in displays.outputs if item.kind != "virtual"]
    if not real:
        return _Seen(slug="video_no_outputs", outcome="inconclusive", values=values)
    fitting = [item for item in real if not line.connectors or item.kind in line.connectors]
    values["outputs"] = ", ".join(item.name for item in fitting or real)
    if not fitting:
        return _Seen(slug="video_wrong_kind", outcome="fail", values=values)
    showing = [item for item in fitting if item.state == "connected" and _states_mode(item, line)]
    if showing:
        name = showing[0].display_name or "a display"
        values.update({"display": name, "output": showing[0].name})
        return _Seen(slug="video_stated", outcome="inconclusive", values=values)
    return _Seen(slug="video_unproven", outcome="inconclusive", values=values)


def _states_mode(output: DisplayOutput, line: ChecklistLine) -> bool:
    return any(
        mode.width_px == line.width_px
        and mode.height_px == line.height_px
        and abs(mode.refresh_hz - (line.refresh_hz or 0.0)) <= _REFRESH_SLACK_HZ
        for mode in output.timings
    )


def _video_needs(line: ChecklistLine) -> dict[str, Scalar]:
    """Return what the mode needs with reduced blanking, and what the HDMI version asked for carries."""
    values: dict[str, Scalar] = {"connectors": " or ".join(line.connectors) or "any connector"}
    if line.hdmi_at_least in HDMI_TMDS_MHZ:
        values["hdmi"] = line.hdmi_at_least
        values["limit_mhz"] = HDMI_TMDS_MHZ[line.hdmi_at_least]
    try:
        mode = timing(
            line.width_px or 0,
            line.height_px or 0,
            refresh_hz=line.refresh_hz or 0.0,
            blanking=Blanking.REDUCED_V1,
        )
    except ValueError:
        return values
    return {
        **values,
        "mode": f"{line.width_px}x{line.height_px}",
        "refresh_hz": line.refresh_hz or 0.0,
        "need_mhz": mode.clock_mhz,
        "need_gbit_s": payload_gbps(mode),
    }


def _graphics_memory(line: ChecklistLine, inventory: Inventory) -> _Seen:
    cards: list[GraphicsCard] = [card for card in inventory.graphics.cards if not card.software]
    if not cards:
        if inventory.pci.present:
            return _Seen(slug="graphics_no_card", outcome="fail", observed=0.0)
        return _unknown("graphics_memory_unknown", inventory.graphics.unknown, "cards")
    sizes = [card.memory_bytes for card in cards if card.memory_bytes is not None]
    if sizes and max(sizes) / _GIB >= (line.at_least or 0.0):
        return _bounded("graphics_memory", max(sizes) / _GIB, line)
    if len(sizes) < len(cards):
        return _unknown("graphics_memory_unknown", inventory.graphics.unknown, "memory_bytes")
    return _bounded("graphics_memory", max(sizes) / _GIB, line)


def _storage_free(line: ChecklistLine, inventory: Inventory) -> _Seen:
    systems = inventory.storage.file_systems
    if not systems:
        return _unknown("storage_unknown", inventory.storage.unknown, "file_systems")
    most = max(systems, key=lambda item: item.free_bytes)
    seen = _bounded("storage", most.free_bytes / _GB, line)
    return _Seen(slug=seen.slug, outcome=seen.outcome, values={"mount": most.mount}, observed=seen.observed)


def _operating_system(line: ChecklistLine, inventory: Inventory) -> _Seen:
    system = inventory.system
    values: dict[str, Scalar] = {
        "distribution": system.distribution or system.system or "unknown",
        "kernel": system.kernel or "unknown",
        "machine": system.machine or "unknown",
    }
    if line.unit != "bit" or system.machine is None:
        return _Seen(slug="system_seen", outcome="inconclusive", values=values)
    bits = 64.0 if system.machine in _WIDE_MACHINES else 32.0
    seen = _bounded("system", bits, line)
    return _Seen(slug=seen.slug, outcome=seen.outcome, values=values, observed=bits)


def _look(line: ChecklistLine, inventory: Inventory) -> _Seen:  # noqa: ARG001 - one signature for all judges
    return _Seen(slug="look", outcome="inconclusive")


_JUDGES: Final[dict[str, Callable[[ChecklistLine, Inventory], _Seen]]] = {
    "memory_size": _memory_size,
    "cpu_cores": _cpu_cores,
    "usb_free_ports": _usb_free_ports,
    "video_output": _video_output,
    "graphics_memory": _graphics_memory,
    "storage_free": _storage_free,
    "operating_system": _operating_system,
    "look": _look,
}

PLUGIN: Final = ChecklistLines()
