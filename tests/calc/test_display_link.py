"""Link arithmetic against published link rates and worked figures."""

from __future__ import annotations

import pytest

from burnin.calc.display_link import (
    DP_RATES_GBPS,
    FRL_RATES_GBPS,
    LinkFit,
    displayport_fit,
    frl_fit,
    payload_gbps,
    tmds_fit,
)
from burnin.calc.display_timing import Blanking, Timing, timing


def reduced(width: int, height: int, rate: float) -> Timing:
    return timing(width, height, refresh_hz=rate, blanking=Blanking.REDUCED_V1)


def test_displayport_payloads_over_four_lanes() -> None:
    # 8b/10b and 128b/132b coding on the line rates in the Linux kernel's drm_dp.h.
    expected = (5.184, 8.64, 17.28, 25.92, 38.79, 52.36, 77.58)
    found = [displayport_fit(reduced(1920, 1080, 60), rate=rate).available for rate in DP_RATES_GBPS]
    assert found == pytest.approx(expected, abs=0.005)


def test_fixed_rate_link_payloads() -> None:
    found = [frl_fit(reduced(1920, 1080, 60), rate_gbps=rate).available for rate in FRL_RATES_GBPS]
    assert found == pytest.approx((8, 16, 21.33, 28.44, 35.56, 42.67), abs=0.005)


@pytest.mark.parametrize(
    ("mode", "needed_gbps", "carried_by"),
    [
        # Worked from the pixel clocks printed by edid-decode, at 24 bits a pixel.
        ((2160, 1200, 90), 6.270, "HBR"),
        ((2880, 1600, 90), 10.962, "HBR2"),
        ((2560, 1440, 144), 14.502, "HBR2"),
        ((4320, 2160, 90), 21.810, "HBR3"),
    ],
)
def test_what_a_headset_mode_needs(mode: tuple[int, int, int], needed_gbps: float, carried_by: str) -> None:
    picture = reduced(*mode)
    assert payload_gbps(picture) == pytest.approx(needed_gbps, abs=5e-4)
    fits = [rate for rate in DP_RATES_GBPS if displayport_fit(picture, rate=rate).carries]
    assert fits[0] == carried_by
    assert fits == list(DP_RATES_GBPS)[-len(fits) :]


def test_fewer_lanes_carry_less() -> None:
    picture = reduced(2160, 1200, 90)
    assert displayport_fit(picture, rate="HBR2", lanes=2).carries
    assert not displayport_fit(picture, rate="HBR2", lanes=1).carries
    assert displayport_fit(picture, rate="HBR2", lanes=2).link == "DisplayPort HBR2 x2"


def test_tmds_limits_by_version() -> None:
    picture = reduced(2160, 1200, 90)  # 261.25 MHz
    assert [tmds_fit(picture, version=v).carries for v in ("1.2", "1.4", "2.0")] == [False, True, True]
    uhd = reduced(3840, 2160, 60)  # 533.25 MHz
    assert tmds_fit(uhd, version="1.4") == LinkFit(
        link="HDMI 1.4 TMDS",
        carries=False,
        needed=533.25,
        available=340.0,
        unit="MHz",
        source=tmds_fit(uhd, version="2.0").source,
    )
    assert tmds_fit(uhd, version="2.0").carries


def test_deep_colour_raises_the_tmds_rate_and_shallow_colour_does_not_lower_it() -> None:
    picture = reduced(2160, 1200, 90)
    assert tmds_fit(picture, version="1.4", bits=12).needed == pytest.approx(391.875)
    assert not tmds_fit(picture, version="1.4", bits=12).carries
    assert tmds_fit(picture, version="1.4", bits=6).needed == 261.25


def test_a_declared_limit_counts_only_where_it_is_lower() -> None:
    picture = reduced(2160, 1200, 90)
    low = tmds_fit(picture, version="1.4", declared_mhz=225.0)
    assert (low.carries, low.available) == (False, 225.0)
    assert "EDID" in low.source
    high = tmds_fit(picture, version="1.4", declared_mhz=1150.0)
    assert (high.carries, high.available) == (True, 340.0)
    assert "EDID" not in high.source


def test_exactly_full_is_carried() -> None:
    picture = reduced(2160, 1200, 90)
    assert tmds_fit(picture, version="1.4", declared_mhz=picture.clock_mhz).carries
    assert not tmds_fit(picture, version="1.4", declared_mhz=picture.clock_mhz - 0.001).carries


def test_fixed_rate_link_carries_what_tmds_does_not() -> None:
    picture = reduced(4320, 2160, 90)
    assert not tmds_fit(picture, version="2.1").carries
    assert frl_fit(picture, rate_gbps=32.0).carries
    assert not frl_fit(picture, rate_gbps=24.0).carries


def test_links_that_do_not_exist_are_refused() -> None:
    picture = reduced(1920, 1080, 60)
    with pytest.raises(ValueError, match="HBR9"):
        displayport_fit(picture, rate="HBR9")
    with pytest.raises(ValueError, match="1, 2 or 4"):
        displayport_fit(picture, rate="HBR", lanes=3)
    with pytest.raises(ValueError, match=r"3\.0"):
        tmds_fit(picture, version="3.0")
    with pytest.raises(ValueError, match="above zero"):
        tmds_fit(picture, version="2.0", declared_mhz=0.0)
    with pytest.raises(ValueError, match=r"7\.0 Gbit/s"):
        frl_fit(picture, rate_gbps=7.0)
    with pytest.raises(ValueError, match="6, 8, 10, 12 or 16"):
        payload_gbps(picture, bits=9)
    with pytest.raises(ValueError, match="6, 8, 10, 12 or 16"):
        tmds_fit(picture, version="2.0", bits=7)
