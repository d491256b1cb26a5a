"""Text from machines and people, made safe to show: nothing hidden, nothing that turns the line around."""

from __future__ import annotations

import re
from typing import Final

_BIDI: Final = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
_HIDDEN: Final = re.compile(f"[{_BIDI}\u200b\u2060\ufeff\u2028\u2029]")
_CONTROL: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
_SPACES: Final = re.compile(r"[\t\n ]+")


def shown_text(text: str) -> str:
    """Return ``text`` on one line, with control characters and direction marks made visible.

    A serial number must not be able to look like another one: invisible characters are written as ``[U+202E]``,
    control characters (terminal escapes among them) as the replacement character.
    """
    visible = _HIDDEN.sub(lambda match: f"[U+{ord(match.group()):04X}]", text)
    return _SPACES.sub(" ", _CONTROL.sub("\ufffd", visible)).strip()


def shortened(text: str, longest: int) -> str:
    """Return ``text`` safe to show, cut to ``longest`` characters with a mark where it was cut."""
    safe = shown_text(text)
    return safe if len(safe) <= longest else safe[: longest - 1].rstrip() + "\u2026"


def plain_name(slug: str) -> str:
    """Return a name made for programs as people would read it: underscores as spaces."""
    return shown_text(slug.replace("_", " ").replace("-", " "))


def counted(number: int, one: str, many: str = "") -> str:
    """Return ``1 waiver``, ``2 waivers``: a number with its noun."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(parts: tuple[str, ...] | list[str]) -> str:
    """Return ``a, b and c``."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def css_string(text: str) -> str:
    """Return ``text`` as a quoted CSS string in which every character but letters, digits and spaces is escaped.

    Escapes are six hex digits and a space, CSS Syntax Module Level 3, 4.3.7.
    """
    safe = "".join(
        char if char.isascii() and (char.isalnum() or char == " ") else f"\\{ord(char):06x} " for char in text
    )
    return f'"{safe}"'
