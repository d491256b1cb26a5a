"""Sentences of the rules, by ``criterion/slug``."""

from __future__ import annotations

from typing import Final

SENTENCES: Final[dict[str, str]] = {}
