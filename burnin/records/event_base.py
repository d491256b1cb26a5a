"""The base of every journal line."""

from __future__ import annotations

from burnin.records.base import LooseRecord


class Event(LooseRecord, tag_field="kind", frozen=True, kw_only=True):
    """Base of everything a journal line can hold."""
