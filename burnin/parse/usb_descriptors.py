"""USB descriptors as the kernel keeps them: the device descriptor and the binary object store (BOS).

Format: USB 3.2 specification, section 9.6 (device, BOS, SuperSpeed and SuperSpeedPlus capabilities), little endian.
Seen on: the ``descriptors`` and ``bos_descriptors`` attributes of Linux 6.x.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError

_DEVICE: Final = 1
_BOS: Final = 15
_CAPABILITY: Final = 16
_SUPER_SPEED: Final = 3
_SUPER_SPEED_PLUS: Final = 10
_EXPONENT: Final = (1e-6, 1e-3, 1.0, 1e3)
"""Lane speed exponent of a sublink attribute to Mbit/s: bit, kbit, Mbit, Gbit."""


@dataclass(frozen=True, kw_only=True)
class DeviceDescriptor:
    """What a USB device says about itself.

    Attributes:
        usb_version: Version it is built to, binary coded decimal as a number (0x0320 is 3.2).
        device_class: Class code; 9 is a hub.
        vendor_id: Four hex digits.
        product_id: Four hex digits.
    """

    usb_version: int
    device_class: int
    vendor_id: str
    product_id: str


def parse_device_descriptor(data: bytes) -> DeviceDescriptor:
    """Return the device descriptor that ``data`` starts with.

    Raises:
        ParseError: fewer than 18 bytes, or no device descriptor.
    """
    if len(data) < 18:
        raise _error("length", f"{len(data)} bytes", "at least 18", offset=0)
    if data[0] != 18 or data[1] != _DEVICE:
        raise _error("bLength, bDescriptorType", f"{data[0]}, {data[1]}", "18, 1", offset=0)
    version, device_class, vendor, product = struct.unpack_from("<HB3xHH", data, 2)
    return DeviceDescriptor(
        usb_version=version, device_class=device_class, vendor_id=f"{vendor:04x}", product_id=f"{product:04x}"
    )


def parse_capable_speed(data: bytes) -> float | None:
    """Return the fastest speed that a binary object store states, Mbit/s; None where it states none.

    Raises:
        ParseError: the store or one of its capabilities is cut short or has an impossible length.
    """
    if len(data) < 5 or data[0] != 5 or data[1] != _BOS:
        raise _error("BOS header", data[:5].hex(" ") or "nothing", "05 0f and a length", offset=0)
    total = int.from_bytes(data[2:4], "little")
    if total > len(data):
        raise _error("wTotalLength", str(total), f"at most {len(data)}", offset=2)
    fastest = 0.0
    offset = 5
    while offset < total:
        length = data[offset]
        if length < 3 or offset + length > total:
            raise _error("bLength", str(length), f"3 to {total - offset}", offset=offset)
        fastest = max(fastest, _capability_speed(data[offset : offset + length]))
        offset += length
    return fastest or None


def _capability_speed(capability: bytes) -> float:
    if capability[1] != _CAPABILITY:
        return 0.0
    if capability[2] == _SUPER_SPEED and len(capability) >= 6:
        supported = int.from_bytes(capability[4:6], "little")
        return 5000.0 if supported & 8 else 0.0
    if capability[2] == _SUPER_SPEED_PLUS and len(capability) >= 12:
        return max(
            (_lane_speed(word) for word in struct.iter_unpack("<I", _whole_words(capability[12:]))),
            default=0.0,
        )
    return 0.0


def _whole_words(data: bytes) -> bytes:
    return data[: len(data) // 4 * 4]


def _lane_speed(word: tuple[int]) -> float:
    exponent, mantissa = word[0] >> 4 & 3, word[0] >> 16
    return float(mantissa * _EXPONENT[exponent])


def _error(field: str, found: str, expected: str, *, offset: int) -> ParseError:
    return ParseError("USB descriptor", field=field, found=found, expected=expected, offset=offset)
