"""An answer that the data do not support, with its reason as a slug and the figures behind it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why a figure is not given.

    Attributes:
        slug: The reason, a key that ``report`` turns into a sentence.
        observed: What the data have, in the unit the slug implies; None where a number says nothing.
        needed: What it would have taken, same unit.
    """

    slug: str
    observed: float | None = None
    needed: float | None = None
