"""What changed in a machine between two inventories, part by part."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final, Literal

import msgspec

from burnin.records.base import LooseRecord
from burnin.records.inventory import Inventory
from burnin.records.plan import Scalar

_KEYS: Final = ("address", "slot", "path", "name", "mount", "cpu", "level")
"""Fields that name an entry of a list, in order of preference."""

_PASSING: Final = frozenset(
    {
        "read_from",
        "with_rights",
        "memory.swap_used_bytes",
        "memory.usable_bytes",
        "network.ports.receive_errors",
        "network.ports.transmit_errors",
        "network.ports.link_losses",
        "network.ports.signal_dbm",
        "storage.file_systems.free_bytes",
        "usb.connectors.over_current",
        "storage.drives.wear_pct",
    }
)
"""Fields that move by themselves, or that say how the inventory was read and not what the machine is."""


_PLUGGED: Final = frozenset({"device"})
"""Fields in which nothing means that nothing is there, not that nothing is known."""

How = Literal["changed", "added", "removed", "now_known", "now_unknown"]


class MachineChange(LooseRecord, frozen=True, kw_only=True):
    """One difference between two inventories.

    Attributes:
        part: Field of the inventory (``memory``).
        item: Entry of a list within it, by its natural name (a slot, an address); empty for the part itself.
        field: What differs; empty where a whole entry came or went.
        before: Value in the first inventory; None where there was none.
        after: Value in the second one; None where there is none.
        how: ``changed``, ``added``, ``removed``, ``now_known`` or ``now_unknown`` (read in one inventory only, so that
            nothing is said about the machine).
    """

    part: str
    item: str = ""
    field: str = ""
    before: Scalar | None = None
    after: Scalar | None = None
    how: How


def machine_changes(before: Inventory, after: Inventory) -> tuple[MachineChange, ...]:
    """Return what differs, in the order of the inventory; what moves by itself is left out."""
    first, second = _plain(before), _plain(after)
    found: list[MachineChange] = []
    for part, old in first.items():
        if isinstance(old, dict):
            found += _differences(part, old, second[part], part=part, item="")
    return tuple(found)


def _plain(value: Any) -> Any:
    """Return records as dictionaries with every field, tuples as lists."""
    if isinstance(value, msgspec.Struct):
        return {name: _plain(getattr(value, name)) for name in value.__struct_fields__}
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _differences(
    path: str, before: dict[str, Any], after: dict[str, Any], *, part: str, item: str
) -> Iterator[MachineChange]:
    for name, old in before.items():
        new = after[name]
        if name == "unknown" or f"{path}.{name}" in _PASSING or old == new:
            continue
        if _is_table(old) or _is_table(new):
            unread = tuple(not {name, "*"}.isdisjoint(side.get("unknown", {})) for side in (before, after))
            yield from _entries(f"{path}.{name}", old, new, part=part, unread=unread)
        elif isinstance(old, dict) and isinstance(new, dict):
            yield from _differences(f"{path}.{name}", old, new, part=part, item=item)
        else:
            yield _field(name, _scalar(old), _scalar(new), part=part, item=item)


def _is_table(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)


def _entries(
    path: str, before: list[Any], after: list[Any], *, part: str, unread: tuple[bool, ...]
) -> Iterator[MachineChange]:
    old, new = _named(before), _named(after)
    for name in [*old, *(name for name in new if name not in old)]:
        if name in old and name in new:
            yield from _differences(path, old[name], new[name], part=part, item=name)
        elif name in new:
            how: How = "now_known" if unread[0] else "added"
            yield MachineChange(part=part, item=name, after=_title(new[name]), how=how)
        else:
            how = "now_unknown" if unread[1] else "removed"
            yield MachineChange(part=part, item=name, before=_title(old[name]), how=how)


def _named(entries: list[Any]) -> dict[str, Any]:
    """Return the entries by their natural name; equal names are numbered in order."""
    named: dict[str, Any] = {}
    for entry in entries:
        base = next((str(entry[key]) for key in _KEYS if entry.get(key) not in {None, ""}), "entry")
        name, number = base, 2
        while name in named:
            name, number = f"{base} ({number})", number + 1
        named[name] = entry
    return named


def _title(entry: dict[str, Any]) -> str:
    return next((str(entry[key]) for key in ("model", "name", "part_number") if entry.get(key)), "present")


def _scalar(value: Any) -> Scalar | None:
    if isinstance(value, dict):
        return _title(value)
    return ", ".join(map(str, value)) if isinstance(value, list) else value


def _field(name: str, old: Scalar | None, new: Scalar | None, *, part: str, item: str) -> MachineChange:
    how: How = "changed"
    if name in _PLUGGED:
        how = "added" if old is None else "removed"
    elif old is None or new is None:
        how = "now_known" if old is None else "now_unknown"
    return MachineChange(part=part, item=item, field=name, before=old, after=new, how=how)
