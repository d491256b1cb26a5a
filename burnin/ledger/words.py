"""Words for the search: the same for every database, so that the same words find the same runs everywhere."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final

_WORD: Final = re.compile(r"[^\W_]+")


def words_of(text: str) -> tuple[str, ...]:
    """Return the words of ``text``: runs of letters and digits, letter case and accents taken off."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return tuple(_WORD.findall("".join(char for char in plain if not unicodedata.combining(char))))


def search_text(texts: Iterable[str]) -> str:
    """Return the distinct words of ``texts`` in the order they come, separated by blanks."""
    return " ".join(dict.fromkeys(word for text in texts for word in words_of(text)))
