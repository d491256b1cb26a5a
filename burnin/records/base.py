"""The base of every record: frozen, keyword-only, strict about unknown keys."""

from __future__ import annotations

import msgspec


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A frozen, keyword-only value that can be written as JSON or TOML and read back."""


class LooseRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A record that skips unknown keys when read, so that journals of later versions stay readable."""
