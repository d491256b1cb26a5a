"""Sound cards and radios."""

from __future__ import annotations

from burnin.parse.small_tables import parse_radio_levels, parse_sound_cards

CARDS = """ 0 [PCH            ]: HDA-Intel - HDA Intel PCH
                      HDA Intel PCH at 0xf7e10000 irq 33
 1 [Headset        ]: USB-Audio - Some Headset
                      A Maker Some Headset at usb-0000:00:14.0-3, full speed
"""
RADIOS = """Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE
 face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22
 wlan0: 0000   54.  -56.  -256        0      0      0      0      5        0
 wlan1: 0000   54.   40.  -256        0      0      0      0      5        0
"""


def test_sound_cards():
    assert parse_sound_cards(CARDS) == ("HDA Intel PCH", "Some Headset")
    assert parse_sound_cards("--- no soundcards ---\n") == ()


def test_radio_levels():
    """Documentation of /proc/net/wireless: level in dBm where it is negative."""
    assert parse_radio_levels(RADIOS) == {"wlan0": -56.0}
    assert parse_radio_levels("") == {}
