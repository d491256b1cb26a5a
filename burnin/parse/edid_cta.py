"""The CTA-861 extension block of EDID: data blocks, HDMI vendor blocks, detailed timings.

Format: CTA-861 (section 7.5 of 861-G): tag 02, revision, offset of the first detailed timing, flags; from byte 4 data
blocks, each headed by tag (3 bits) and length (5 bits). HDMI vendor block: identifier 00-0C-03 (least significant byte
first), highest TMDS clock in byte 7 of the payload times 5 MHz. HDMI Forum block: identifier C4-5D-D8 (or the data block
with extended tag 0x79), highest TMDS character rate in byte 5 times 5 MHz, fixed rate link in the upper half of byte 7.
The layout of the HDMI blocks is from memory, held against edid-decode over an open test set.
Seen on: ``tests/fixtures/edid``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError
from burnin.parse.edid_timing import parse_detailed_timing
from burnin.records.inventory import DisplayMode

TAG: Final = 0x02
_VIDEO: Final = 2
_VENDOR: Final = 3
_EXTENDED: Final = 7
_FORUM_TAG: Final = 0x79
_HDMI: Final = bytes((0x03, 0x0C, 0x00))
_FORUM: Final = bytes((0xD8, 0x5D, 0xC4))
FRL_GBIT_S: Final = (0.0, 9.0, 18.0, 24.0, 32.0, 40.0, 48.0)
"""Fixed rate link by code: 3 lanes at 3 and 6, 4 lanes at 6, 8, 10 and 12 Gbit/s (HDMI 2.1)."""


@dataclass(frozen=True, kw_only=True)
class CtaBlock:
    """One CTA-861 extension.

    Attributes:
        revision: Revision of the block.
        timings: Detailed timings.
        video_codes: Video identification codes in order.
        hdmi: Whether an HDMI vendor block is there.
        tmds_mhz: TMDS clocks the HDMI blocks state, as they stand there, in order.
        frl_gbit_s: Fixed rate link the HDMI Forum block states, None for none.
        trouble: What is wrong with the data blocks, empty when nothing is; those before the trouble are kept.
    """

    revision: int
    timings: tuple[DisplayMode, ...] = ()
    video_codes: tuple[int, ...] = ()
    hdmi: bool = False
    tmds_mhz: tuple[float, ...] = ()
    frl_gbit_s: float | None = None
    trouble: str = ""


def parse_cta_block(block: bytes) -> CtaBlock:
    """Return what a 128-byte CTA-861 extension says.

    Raises:
        ParseError: not 128 bytes, another tag, or an impossible offset.
    """
    if len(block) != 128 or block[0] != TAG:
        raise _error("tag, length", f"{block[:1].hex() or 'none'}, {len(block)}", "02, 128", offset=0)
    start = block[2]
    if start > 127 or 0 < start < 4:
        raise _error("offset of the detailed timings", str(start), "0, or 4 to 127", offset=2)
    data_blocks, trouble = _data_blocks(block, start) if block[1] >= 3 else ((), "")
    tmds, frl = _hdmi_rates(data_blocks)
    return CtaBlock(
        revision=block[1],
        timings=tuple(_timings(block, start)),
        video_codes=tuple(code for tag, payload in data_blocks if tag == _VIDEO for code in _codes(payload)),
        hdmi=any(tag == _VENDOR and payload[:3] == _HDMI for tag, payload in data_blocks),
        tmds_mhz=tmds,
        frl_gbit_s=frl,
        trouble=trouble,
    )


def _data_blocks(block: bytes, start: int) -> tuple[tuple[tuple[int, bytes], ...], str]:
    """Return tag and payload of each data block, and what is wrong where one runs into the detailed timings."""
    found: list[tuple[int, bytes]] = []
    offset = 4
    while offset < start:
        tag, length = block[offset] >> 5, block[offset] & 31
        end = offset + 1 + length
        if end > start:
            return tuple(found), f"a data block at {offset} runs into the detailed timings at {start}"
        found.append((tag, block[offset + 1 : end]))
        offset = end
    return tuple(found), ""


def _timings(block: bytes, start: int) -> Iterator[DisplayMode]:
    for offset in range(start, 127 - 17, 18) if start else ():
        if block[offset : offset + 2] == b"\0\0":
            return
        mode = parse_detailed_timing(block[offset : offset + 18])
        if mode:
            yield mode


def _codes(payload: bytes) -> Iterator[int]:
    """Yield the codes; 1 to 64 carry a native flag in bit 7 (129 to 192), 193 and up do not."""
    for byte in payload:
        code = byte & 0x7F if 129 <= byte <= 192 else byte
        if code not in {0, 128, 254, 255}:
            yield code


def _hdmi_rates(data_blocks: tuple[tuple[int, bytes], ...]) -> tuple[tuple[float, ...], float | None]:
    tmds: list[float] = []
    frl: float | None = None
    for tag, payload in data_blocks:
        forum = _forum_payload(tag, payload)
        if tag == _VENDOR and payload[:3] == _HDMI and len(payload) >= 7 and payload[6]:
            tmds.append(payload[6] * 5.0)
        elif len(forum) >= 2 and forum[1]:
            tmds.append(forum[1] * 5.0)
        if len(forum) >= 4 and 1 <= forum[3] >> 4 < len(FRL_GBIT_S):
            frl = FRL_GBIT_S[forum[3] >> 4]
    return tuple(tmds), frl


def _forum_payload(tag: int, payload: bytes) -> bytes:
    """Return the HDMI Forum fields from their version byte on; empty for any other block."""
    if tag == _VENDOR and payload[:3] == _FORUM:
        return payload[3:]
    if tag == _EXTENDED and payload[:1] == bytes((_FORUM_TAG,)):
        return payload[3:]
    return b""


def _error(field: str, found: str, expected: str, *, offset: int) -> ParseError:
    return ParseError("CTA-861 block", field=field, found=found, expected=expected, offset=offset)
