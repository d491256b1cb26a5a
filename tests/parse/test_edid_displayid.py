"""DisplayID extensions: damage, types of timing, and what is left out; the agreement with edid-decode is in test_edid."""

from __future__ import annotations

from pathlib import Path

import pytest

from burnin.errors import ParseError
from burnin.parse.edid import parse_edid
from burnin.parse.edid_displayid import parse_displayid_block

FOLDER = Path(__file__).parents[1] / "fixtures" / "edid"


def mode(clock: int, *, flags: int = 0) -> bytes:
    """2160x1200 with 160 and 52 of blanking, each number less one."""
    numbers = (2159, 159, 47, 31, 1199, 51, 2, 9)
    return (
        (clock - 1).to_bytes(3, "little")
        + bytes((flags,))
        + b"".join(n.to_bytes(2, "little") for n in numbers)
    )


def block(*data: bytes, section: int | None = None) -> bytes:
    body = b"".join(data)
    return (bytes((0x70, 0x13, len(body) if section is None else section, 3, 0)) + body).ljust(128, b"\0")


def timings(tag: int, *modes: bytes) -> bytes:
    body = b"".join(modes)
    return bytes((tag, 1, len(body))) + body


def test_types_one_and_seven_count_their_clock_in_their_own_unit():
    first, seventh = parse_displayid_block(block(timings(3, mode(26125)), timings(0x22, mode(261250))))
    assert first == seventh
    assert (first.width_px, first.height_px, first.clock_mhz, first.refresh_hz) == (
        2160,
        1200,
        261.25,
        89.942,
    )


def test_other_blocks_interlaced_modes_and_half_modes_are_left_out():
    data = block(timings(0x7E, b"abc"), timings(3, mode(26125, flags=0x10), mode(26125)[:10]), b"\0\0\0\0")
    assert parse_displayid_block(data) == ()


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"", "tag, length"),
        (block()[:127], "tag, length"),
        (b"\x02" + block()[1:], "tag, length"),
        (block(section=123), "section length"),
        (block(bytes((3, 0, 9))), "data block length"),
    ],
)
def test_damage_is_named(data, field):
    with pytest.raises(ParseError, match=f"DisplayID block, {field}"):
        parse_displayid_block(data)


def test_a_damaged_block_is_a_trouble_of_the_whole():
    data = bytearray((FOLDER / "apple-xdr-dp.edid").read_bytes())
    place = next(start for start in range(0, len(data), 128) if data[start] == 0x70)
    data[place + 2] = 125
    assert any("DisplayID block, section length" in trouble for trouble in parse_edid(bytes(data)).troubles)
