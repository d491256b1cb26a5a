"""Sound cards of ``/proc/asound/cards``, radios of ``/proc/net/wireless``.

Format: two lines a card: `` 0 [PCH            ]: HDA-Intel - HDA Intel PCH`` and an indented long name; the radio table
has two heading lines, then ``wlan0: 0000   54.  -56.  -256 ...`` (status, link, level, noise).
Seen on: Linux 5.x and 6.x.
"""

from __future__ import annotations

import re
from typing import Final

_CARD: Final = re.compile(r"\s*\d{1,3} \[.{1,32}\]: \S.{0,63}? - (\S.{0,127})")
_RADIO: Final = re.compile(
    r"\s*([^\s:]{1,64}): [0-9a-f]{4}\s+-?\d{1,5}\.?\s+(-?\d{1,5})\.?(?:\s.*)?", re.ASCII
)


def parse_sound_cards(text: str) -> tuple[str, ...]:
    """Return the short names of the sound cards; lines of another form are skipped."""
    matches = (_CARD.fullmatch(line) for line in text.splitlines())
    return tuple(match[1].strip() for match in matches if match)


def parse_radio_levels(text: str) -> dict[str, float]:
    """Return the received level of each radio, dBm; levels that are not negative are no dBm and are left out."""
    levels = {}
    for line in text.splitlines():
        match = _RADIO.fullmatch(line)
        if match and int(match[2]) < 0:
            levels[match[1]] = float(match[2])
    return levels
