"""The machine as found against the order sheet, part by part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import InventoryTaken, OperatorAnswered
from burnin.records.findings import Finding, Outcome
from burnin.records.inventory import Inventory
from burnin.records.paperwork import PartOrdered
from burnin.records.plan import Scalar
from burnin.records.view import RunView

_NAME: Final = "order_match"
_GIB: Final = 1 << 30
_GB: Final = 10**9
_SIZE_SLACK: Final = 0.05
"""Drives are sold in decimal gigabytes, rounded: 1000 GB is sold as 1 TB and holds 1.0002e12 bytes."""
READABLE: Final = frozenset({"cpu", "memory", "graphics", "board", "storage", "network"})
"""Kinds of part whose names software can read."""


@dataclass(frozen=True, kw_only=True)
class _Item:
    """Something found that a part of the order can be held against.

    Attributes:
        name: All names it goes by, in one text.
        size_bytes: Size, None where it has none or it is not known.
        exact: Whether it is sold in binary gigabytes (memory) rather than decimal ones (drives).
    """

    name: str
    size_bytes: int | None = None
    exact: bool = False


class OrderMatch:
    """Every part of the order is there, as often and as large as ordered; differences are named.

    Parts that software cannot read (power supply, cooler, case) take the operator's answer under the part's name, with
    what the label says as the remark; without one they are listed as not assessed and hold up nothing. A part that could
    be read but was not (no rights, no bus) is open and required.
    """

    spec: Final = CriterionSpec(title="Built as ordered", needs_run=False)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding for each part ordered; not applicable only without an order."""
        order = view.opened.order
        if order is None:
            return (Finding(criterion=_NAME, slug="no_order", outcome="not_applicable", required=False),)
        evidence = [entry.seq for entry, _ in view.of(InventoryTaken)][:1]
        if not order.parts:
            return (Finding(criterion=_NAME, slug="no_parts", outcome="not_applicable", required=False),)
        return tuple(
            _unreadable(part, view)
            if part.part not in READABLE
            else _readable(part, view.inventory, tuple(evidence))
            for part in order.parts
        )


def _unreadable(part: PartOrdered, view: RunView) -> Finding:
    for entry, event in reversed(list(view.of(OperatorAnswered))):
        if event.answer.line == part.part:
            seen = event.answer.answer == "yes"
            return _finding(
                part,
                "label_agrees" if seen else "label_differs",
                "pass" if seen else "fail",
                values={"remark": event.answer.remark or "no remark"},
                evidence=(entry.seq,),
            )
    return _finding(part, "label_not_read", "inconclusive", required=False)


def _readable(part: PartOrdered, inventory: Inventory, evidence: tuple[int, ...]) -> Finding:
    items = _items(part.part, inventory)
    if not items:
        return _finding(
            part,
            "not_known",
            "inconclusive",
            values={"reason": _reason(part.part, inventory)},
            evidence=evidence,
        )
    named = [item for item in items if part.match.casefold() in item.name.casefold()]
    fitting = [item for item in named if _fits(item, part.size_gb)]
    values: dict[str, Scalar] = {
        "found": "; ".join(item.name for item in items),
        "named": len(named),
        "fitting": len(fitting),
    }
    if not named:
        slug = "not_there"
    elif not fitting:
        slug = "wrong_size"
        values["sizes"] = ", ".join(_size_text(item) for item in named)
    elif len(fitting) < part.count:
        slug = "too_few"
    else:
        slug = "more" if len(fitting) > part.count else "as_ordered"
    outcome: Outcome = "pass" if slug in {"as_ordered", "more"} else "fail"
    if outcome == "fail" and _may_be_hidden(items, named, part):
        slug, outcome = "size_not_known", "inconclusive"
    return _finding(part, slug, outcome, values=values, evidence=evidence, counted=len(fitting))


def _may_be_hidden(items: list[_Item], named: list[_Item], part: PartOrdered) -> bool:
    """Return whether enough fitting parts may be there, hidden behind a size that nobody stated."""
    return part.size_gb is not None and bool(items) and sum(
        item.size_bytes is None or _fits(item, part.size_gb) for item in named
    ) >= part.count  # fmt: skip


def _fits(item: _Item, size_gb: float | None) -> bool:
    if size_gb is None:
        return True
    if item.size_bytes is None:
        return False
    if item.exact:
        return item.size_bytes == round(size_gb * _GIB)
    return abs(item.size_bytes / _GB - size_gb) <= _SIZE_SLACK * size_gb


def _size_text(item: _Item) -> str:
    unit = _GIB if item.exact else _GB
    return "not stated" if item.size_bytes is None else f"{item.size_bytes / unit:.4g} GB"


def _words(*parts: str | None) -> str:
    return " ".join(part for part in parts if part)


def _items(part: str, inventory: Inventory) -> list[_Item]:
    """Return what was found of one kind of part."""
    match part:
        case "cpu":
            return [_Item(name=inventory.cpu.model)] if inventory.cpu.model else []
        case "board":
            name = _words(inventory.board.maker, inventory.board.product)
            return [_Item(name=name)] if name else []
        case "memory":
            return _modules(inventory)
        case "graphics":
            cards = inventory.graphics.cards
            return [_Item(name=card.name, size_bytes=card.memory_bytes, exact=True) for card in cards]
        case "storage":
            drives = inventory.storage.drives
            return [
                _Item(name=drive.model or "drive without a name", size_bytes=drive.size_bytes)
                for drive in drives
            ]
        case _:
            devices = inventory.pci.devices
            return [_Item(name=device.name) for device in devices if device.class_id.startswith("02")]


def _modules(inventory: Inventory) -> list[_Item]:
    return [
        _Item(
            name=_words(module.maker, module.part_number, module.kind) or "module without a name",
            size_bytes=module.size_bytes,
            exact=True,
        )
        for module in inventory.memory.modules
        if module.size_bytes != 0
    ]


def _reason(part: str, inventory: Inventory) -> str:
    unknown = {
        "cpu": inventory.cpu.unknown,
        "board": inventory.board.unknown,
        "memory": inventory.memory.unknown,
        "graphics": inventory.graphics.unknown,
        "storage": inventory.storage.unknown,
        "network": inventory.pci.unknown,
    }[part]
    return next(iter(unknown.values()), "nothing of the kind was found")


def _finding(  # noqa: PLR0913 - the fields of one finding, all by name
    part: PartOrdered,
    slug: str,
    outcome: Outcome,
    *,
    values: dict[str, Scalar] | None = None,
    evidence: tuple[int, ...] = (),
    required: bool = True,
    counted: int | None = None,
) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        required=required,
        subject=part.text,
        values={
            "part": part.part.replace("_", " "),
            "answer_as": part.part,
            "match": part.match or "any name",
            "size_gb": part.size_gb or 0.0,
            **(values or {}),
        },
        observed=None if counted is None else float(counted),
        limit=None if counted is None else float(part.count),
        unit="" if counted is None else "pieces",
        margin=None if counted is None else float(counted - part.count),
        evidence=evidence,
    )


PLUGIN: Final = OrderMatch()
