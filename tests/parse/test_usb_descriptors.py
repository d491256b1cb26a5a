"""USB descriptors, composed after the USB 3.2 specification, section 9.6."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.usb_descriptors import parse_capable_speed, parse_device_descriptor

DEVICE = bytes((18, 1, 0x20, 3, 9, 0, 3, 9, 0x34, 0x12, 0xCD, 0xAB, 0, 1, 1, 2, 3, 1))


def bos(*capabilities: bytes) -> bytes:
    body = b"".join(capabilities)
    return bytes((5, 15)) + (5 + len(body)).to_bytes(2, "little") + bytes((len(capabilities),)) + body


SUPER = bytes((10, 16, 3, 0, 0x0E, 0, 1, 10, 0xFF, 7))
PLUS = bytes((20, 16, 10, 0, 1, 0, 0, 0, 0, 0x11, 0, 0)) + bytes((0x30, 0x40, 10, 0, 0xB0, 0x40, 10, 0))
"""SuperSpeedPlus with one lane speed of mantissa 10 and exponent 3: 10 Gbit/s."""


def test_the_device_descriptor():
    found = parse_device_descriptor(DEVICE)
    assert (found.usb_version, found.device_class, found.vendor_id, found.product_id) == (
        0x320,
        9,
        "1234",
        "abcd",
    )


@pytest.mark.parametrize("data", [b"", DEVICE[:17], b"\x12\x02" + DEVICE[2:], b"\x11\x01" + DEVICE[2:]])
def test_what_is_no_device_descriptor(data):
    with pytest.raises(ParseError, match="USB descriptor"):
        parse_device_descriptor(data)


def test_speeds_a_device_can_do():
    assert parse_capable_speed(bos(SUPER)) == 5000.0
    assert parse_capable_speed(bos(SUPER, PLUS)) == 10000.0
    assert parse_capable_speed(bos(bytes((7, 16, 2, 6, 0, 0, 0)))) is None
    assert parse_capable_speed(bos(bytes((10, 16, 3, 0, 6, 0, 1, 10, 0, 0)))) is None
    assert parse_capable_speed(bos(bytes((4, 1, 0, 0)))) is None
    assert parse_capable_speed(bos(PLUS[:12].replace(b"\x14", b"\x0c", 1))) is None
    assert parse_capable_speed(bos(SUPER[:5].replace(b"\x0a", b"\x05", 1))) is None


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"", "BOS header"),
        (bytes((5, 14, 5, 0, 0)), "BOS header"),
        (bytes((5, 15, 99, 0, 0)), "wTotalLength"),
        (bos(bytes((2, 16))), "bLength"),
        (bos(bytes((9, 16, 3, 0))), "bLength"),
    ],
)
def test_damage_is_named(data, field):
    with pytest.raises(ParseError, match=field):
        parse_capable_speed(data)
