"""What every part of the inventory has in common: a field without a value has its reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from msgspec.structs import replace

from burnin.records.base import LooseRecord

P = TypeVar("P", bound="Part")


class Part(LooseRecord, frozen=True, kw_only=True):
    """One part of the inventory.

    Attributes:
        unknown: Field name to the reason why it has no value, in plain words; the key ``*`` stands for the whole part.
    """

    unknown: dict[str, str] = {}


def with_reasons(part: P, reasons: Mapping[str, str]) -> P:
    """Return the part with the reason of every field named in ``reasons`` that has no value."""
    absent = {name: reason for name, reason in reasons.items() if getattr(part, name) is None}
    return replace(part, unknown={**part.unknown, **absent})
