"""EDID: the identification data of a display, base block and the list of its extensions.

Format: VESA Enhanced EDID Standard, release A rev. 1 (EDID 1.3) and rev. 2 (1.4): 128-byte blocks whose bytes sum to 0
modulo 256; the base block starts 00 FF FF FF FF FF FF 00; detailed timings or display descriptors at 54, 72, 90, 108.
Layout from memory of the standard, held against edid-decode over an open test set.
Seen on: ``tests/fixtures/edid``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from burnin.errors import ParseError
from burnin.parse.edid_cta import TAG as CTA_TAG
from burnin.parse.edid_cta import CtaBlock, parse_cta_block
from burnin.parse.edid_displayid import TAG as DISPLAYID_TAG
from burnin.parse.edid_displayid import parse_displayid_block
from burnin.parse.edid_timing import parse_detailed_timing
from burnin.parse.edid_video_codes import mode_of
from burnin.records.inventory import DisplayMode

BLOCK: Final = 128
HEADER: Final = bytes.fromhex("00ffffffffffff00")
MOST_BLOCKS: Final = 256

_NAME: Final = 0xFC
_SERIAL: Final = 0xFF
_RANGE: Final = 0xFD


@dataclass(frozen=True, kw_only=True)
class RangeLimits:
    """Range limits of a display.

    Attributes:
        low_hz: Lowest vertical refresh.
        high_hz: Highest vertical refresh.
        low_khz: Lowest line rate.
        high_khz: Highest line rate.
        max_clock_mhz: Highest pixel clock, None where not stated.
    """

    low_hz: int
    high_hz: int
    low_khz: int
    high_khz: int
    max_clock_mhz: float | None = None


@dataclass(frozen=True, kw_only=True)
class Edid:
    """What a display says about itself.

    Attributes:
        maker: Three letters.
        product: Product code.
        serial_number: Number from the header, None for 0.
        week: Week of manufacture, None where not stated.
        year: Year of manufacture or model year.
        version: For example ``1.4``.
        name: From a descriptor, None where there is none.
        serial: From a descriptor, None where there is none.
        timings: Detailed timings, the base block's first, then those of the extensions, then the coded modes.
        limits: Range limits, None where not stated.
        blocks: Blocks present, the base block included.
        cta: CTA-861 extensions in order.
        troubles: What is wrong with it, in words; a display with troubles may still work.
    """

    maker: str
    product: int
    serial_number: int | None
    week: int | None
    year: int
    version: str
    name: str | None = None
    serial: str | None = None
    timings: tuple[DisplayMode, ...] = ()
    limits: RangeLimits | None = None
    blocks: int = 1
    cta: tuple[CtaBlock, ...] = ()
    troubles: tuple[str, ...] = ()

    @property
    def max_tmds_mhz(self) -> float | None:
        """Highest plausible TMDS clock that an HDMI block states, None where none does.

        A figure above 600 MHz cannot be right for a clock (HDMI 2.0's highest): it is left out and named in ``troubles``.
        """
        stated = [rate for block in self.cta for rate in block.tmds_mhz if rate <= MAX_TMDS_MHZ]
        return max(stated, default=None)

    @property
    def max_frl_gbit_s(self) -> float | None:
        """Highest fixed rate link that an HDMI block states, None where none does."""
        return max((block.frl_gbit_s for block in self.cta if block.frl_gbit_s), default=None)


MAX_TMDS_MHZ: Final = 600.0
"""Highest TMDS character rate of any HDMI version."""


def parse_edid(data: bytes) -> Edid:
    """Return what identification data say; wrong check sums and missing extensions become ``troubles``.

    Raises:
        ParseError: there is no base block, its header is wrong, or its version is not 1.x.
    """
    if len(data) < BLOCK:
        raise _error("length", f"{len(data)} bytes", "at least 128", offset=0)
    if data[:8] != HEADER:
        raise _error("header", data[:8].hex(" "), HEADER.hex(" "), offset=0)
    if data[18] != 1:
        raise _error("version", f"{data[18]}.{data[19]}", "1.0 to 1.4", offset=18)
    blocks = [data[start : start + BLOCK] for start in range(0, len(data) - BLOCK + 1, BLOCK)][:MOST_BLOCKS]
    troubles = _length_troubles(data, len(blocks))
    descriptors = [blocks[0][offset : offset + 18] for offset in (54, 72, 90, 108)]
    more = _extensions(blocks)
    edid = _base(blocks[0], descriptors)
    coded = (mode_of(code) for block in more.cta for code in block.video_codes)
    timings = (
        *edid.timings,
        *(mode for block in more.cta for mode in block.timings),
        *more.modes,
        *(mode for mode in coded if mode),
    )
    return replace(
        edid, timings=timings, cta=more.cta, troubles=(*troubles, *more.troubles), blocks=len(blocks)
    )


def _base(block: bytes, descriptors: list[bytes]) -> Edid:
    modes = (parse_detailed_timing(item) for item in descriptors)
    week = block[16]
    return Edid(
        maker=parse_maker(block[8:10]),
        product=int.from_bytes(block[10:12], "little"),
        serial_number=int.from_bytes(block[12:16], "little") or None,
        week=week if 1 <= week <= 54 else None,
        year=1990 + block[17],
        version=f"{block[18]}.{block[19]}",
        name=_text(descriptors, _NAME),
        serial=_text(descriptors, _SERIAL),
        timings=tuple(mode for mode in modes if mode),
        limits=_limits(descriptors, minor=block[19]),
    )


def parse_maker(data: bytes) -> str:
    """Return the three letters packed into two bytes, five bits each; ``?`` for a value that is no letter."""
    packed = int.from_bytes(data, "big")
    values = (packed >> 10 & 31, packed >> 5 & 31, packed & 31)
    return "".join(chr(64 + value) if 1 <= value <= 26 else "?" for value in values)


def _text(descriptors: list[bytes], tag: int) -> str | None:
    parts = [item[5:].split(b"\n")[0] for item in descriptors if item[:3] == b"\0\0\0" and item[3] == tag]
    text = b"".join(parts).decode("cp437").replace("\0", "")
    printable = "".join(char for char in text if char.isprintable()).strip()
    return printable or None


def _limits(descriptors: list[bytes], *, minor: int) -> RangeLimits | None:
    for item in descriptors:
        if item[:3] != b"\0\0\0" or item[3] != _RANGE:
            continue
        offsets = item[4] if minor >= 4 else 0
        low_hz, high_hz = item[5] + (255 if offsets & 3 == 3 else 0), item[6] + (255 if offsets & 2 else 0)
        low_khz, high_khz = (
            item[7] + (255 if offsets & 12 == 12 else 0),
            item[8] + (255 if offsets & 8 else 0),
        )
        clock = _limit_clock_mhz(item)
        return RangeLimits(
            low_hz=low_hz, high_hz=high_hz, low_khz=low_khz, high_khz=high_khz, max_clock_mhz=clock
        )
    return None


def _limit_clock_mhz(item: bytes) -> float | None:
    """Return the highest pixel clock, to a quarter MHz where a CVT range says so; 0 states none."""
    if item[9] == 0:
        return None
    finer_mhz = (item[12] >> 2) * 0.25 if item[10] == 4 else 0.0
    return item[9] * 10 - finer_mhz


def _length_troubles(data: bytes, blocks: int) -> list[str]:
    troubles = []
    if len(data) % BLOCK:
        troubles.append(f"{len(data)} bytes are no whole number of 128-byte blocks")
    promised = data[126] + 1
    if promised > blocks:
        troubles.append(f"{promised} blocks promised, {blocks} present")
    return troubles


@dataclass(frozen=True, kw_only=True)
class _Extensions:
    """What the extension blocks say, and what is wrong with any block."""

    cta: tuple[CtaBlock, ...]
    modes: tuple[DisplayMode, ...]
    troubles: tuple[str, ...]


def _extensions(blocks: list[bytes]) -> _Extensions:
    cta: list[CtaBlock] = []
    modes: list[DisplayMode] = []
    troubles = [
        f"wrong check sum in block {number}" for number, block in enumerate(blocks) if sum(block) % 256
    ]
    for number, block in enumerate(blocks[1:], 1):
        try:
            if block[0] == CTA_TAG:
                cta.append(parse_cta_block(block))
            elif block[0] == DISPLAYID_TAG:
                modes.extend(parse_displayid_block(block))
        except ParseError as error:
            troubles.append(f"block {number}: {error.message}")
    troubles.extend(f"CTA-861 block: {block.trouble}" for block in cta if block.trouble)
    over = sorted({rate for block in cta for rate in block.tmds_mhz if rate > MAX_TMDS_MHZ})
    troubles.extend(f"impossible TMDS clock of {rate:g} MHz stated" for rate in over)
    return _Extensions(cta=tuple(cta), modes=tuple(modes), troubles=tuple(troubles))


def _error(field: str, found: str, expected: str, *, offset: int) -> ParseError:
    return ParseError("EDID", field=field, found=found, expected=expected, offset=offset)
