"""Whether a display link carries a mode: needed against available, with the source of each limit.

What is counted is the uncompressed picture, three samples per pixel, blanking included in the pixel clock. Stream
compression and chroma subsampling can carry more than these figures say; a link that carries the mode here carries
it without either. Forward error correction and packet overhead of DisplayPort 2.x are not deducted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.calc.display_timing import Timing

SAMPLES_PER_PIXEL: Final = 3

_DP_SOURCE: Final = (
    "VESA DisplayPort link rates; payload is 8/10 of the line rate up to 8.1 Gbit/s, 128/132 above"
)
_TMDS_SOURCE: Final = "HDMI 1.0 to 2.0 highest TMDS clock, as commonly tabulated"
_FRL_SOURCE: Final = "HDMI 2.1 fixed rate link, payload is 16/18 of the line rate"
_DECLARED_SOURCE: Final = "the limit the display declares in its EDID"

DP_RATES_GBPS: Final = {
    "RBR": 1.62,
    "HBR": 2.7,
    "HBR2": 5.4,
    "HBR3": 8.1,
    "UHBR10": 10.0,
    "UHBR13.5": 13.5,
    "UHBR20": 20.0,
}
"""Line rate of one lane in Gbit/s (VESA; the codes stand in the Linux kernel's drm_dp.h)."""

DP_LANES: Final = (1, 2, 4)

HDMI_TMDS_MHZ: Final = {
    "1.0": 165.0,
    "1.1": 165.0,
    "1.2": 165.0,
    "1.3": 340.0,
    "1.4": 340.0,
    "2.0": 600.0,
    "2.1": 600.0,
}
"""Highest TMDS character rate by HDMI version in MHz (from memory of the specifications' public summaries)."""

FRL_RATES_GBPS: Final = (9.0, 18.0, 24.0, 32.0, 40.0, 48.0)
"""Raw rates of the fixed rate link over all lanes in Gbit/s (Linux kernel's drm_dp.h, protocol converter masks)."""


@dataclass(frozen=True, kw_only=True)
class LinkFit:
    """One mode on one link.

    Attributes:
        link: What the link is, in words.
        carries: Whether the link carries the mode uncompressed.
        needed: What the mode needs, in `unit`.
        available: What the link offers, in `unit`.
        unit: `MHz` (TMDS character rate) or `Gbit/s` (payload).
        source: Where the limit comes from.
    """

    link: str
    carries: bool
    needed: float
    available: float
    unit: str
    source: str


def payload_gbps(mode: Timing, *, bits: int = 8) -> float:
    """Return what a mode needs in Gbit/s: pixel clock times three samples of `bits`.

    Raises:
        ValueError: The depth is not 6, 8, 10, 12 or 16 bits a sample.
    """
    _check_bits(bits)
    return mode.clock_khz * SAMPLES_PER_PIXEL * bits / 1e6


def displayport_fit(mode: Timing, *, rate: str, lanes: int = 4, bits: int = 8) -> LinkFit:
    """Hold a mode against a DisplayPort link.

    Args:
        mode: The mode with its blanking.
        rate: Name of the link rate, a key of `DP_RATES_GBPS`.
        lanes: Lanes in use: 1, 2 or 4.
        bits: Bits per sample.

    Raises:
        ValueError: Rate, lanes or depth do not exist.
    """
    if rate not in DP_RATES_GBPS:
        raise ValueError(f"DisplayPort rate {rate!r}: must be one of {', '.join(DP_RATES_GBPS)}")
    if lanes not in DP_LANES:
        raise ValueError(f"{lanes} DisplayPort lanes: must be 1, 2 or 4")
    line_gbps = DP_RATES_GBPS[rate]
    coding = 8 / 10 if line_gbps <= DP_RATES_GBPS["HBR3"] else 128 / 132
    return _fit(
        f"DisplayPort {rate} x{lanes}",
        needed=payload_gbps(mode, bits=bits),
        available=line_gbps * lanes * coding,
        unit="Gbit/s",
        source=_DP_SOURCE,
    )


def tmds_fit(mode: Timing, *, version: str, bits: int = 8, declared_mhz: float | None = None) -> LinkFit:
    """Hold a mode against an HDMI link in TMDS mode.

    Args:
        mode: The mode with its blanking.
        version: HDMI version, a key of `HDMI_TMDS_MHZ`.
        bits: Bits per sample; more than 8 raise the character rate in proportion, fewer do not lower it.
        declared_mhz: Highest TMDS clock the display declares, None where it declares none; the lower limit counts.

    Raises:
        ValueError: Version or depth do not exist, or the declared limit is not above zero.
    """
    if version not in HDMI_TMDS_MHZ:
        raise ValueError(f"HDMI version {version!r}: must be one of {', '.join(HDMI_TMDS_MHZ)}")
    if declared_mhz is not None and not declared_mhz > 0:
        raise ValueError(f"declared TMDS limit {declared_mhz} MHz: must be above zero")
    _check_bits(bits)
    limit_mhz = HDMI_TMDS_MHZ[version]
    declared = declared_mhz is not None and declared_mhz < limit_mhz
    return _fit(
        f"HDMI {version} TMDS",
        needed=mode.clock_mhz * max(bits, 8) / 8,
        available=declared_mhz if declared and declared_mhz is not None else limit_mhz,
        unit="MHz",
        source=_DECLARED_SOURCE if declared else _TMDS_SOURCE,
    )


def frl_fit(mode: Timing, *, rate_gbps: float, bits: int = 8) -> LinkFit:
    """Hold a mode against an HDMI 2.1 fixed rate link.

    Args:
        mode: The mode with its blanking.
        rate_gbps: Raw rate over all lanes, one of `FRL_RATES_GBPS`.
        bits: Bits per sample.

    Raises:
        ValueError: The rate or the depth does not exist.
    """
    if rate_gbps not in FRL_RATES_GBPS:
        raise ValueError(f"fixed rate link of {rate_gbps} Gbit/s: must be one of {FRL_RATES_GBPS}")
    return _fit(
        f"HDMI 2.1 fixed rate link {rate_gbps:g} Gbit/s",
        needed=payload_gbps(mode, bits=bits),
        available=rate_gbps * 16 / 18,
        unit="Gbit/s",
        source=_FRL_SOURCE,
    )


def _check_bits(bits: int) -> None:
    """Refuse a depth that no display link has."""
    if bits not in {6, 8, 10, 12, 16}:
        raise ValueError(f"{bits} bits a sample: must be 6, 8, 10, 12 or 16")


def _fit(link: str, *, needed: float, available: float, unit: str, source: str) -> LinkFit:
    """Compare the two figures; a mode that needs exactly what there is, is carried."""
    return LinkFit(
        link=link, carries=needed <= available, needed=needed, available=available, unit=unit, source=source
    )
