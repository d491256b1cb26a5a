"""Display timings against an independent implementation of the VESA formulas.

`display_modes.csv` holds 300 modes as printed by `edid-decode --cvt` (Debian 0.1~git20220315, Expat licence); the
same program is asked again, for other modes, where it is installed.
"""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.calc.display_timing import Blanking, Timing, timing

MODES = [
    {key: float(value) for key, value in row.items()}
    for row in csv.DictReader(
        Path(__file__).with_name("display_modes.csv").read_text(encoding="ascii").splitlines()
    )
]
ORACLE = shutil.which("edid-decode")


def blanks(mode: Timing) -> list[int]:
    return [
        mode.h_front_px,
        mode.h_sync_px,
        mode.h_back_px,
        mode.v_front_lines,
        mode.v_sync_lines,
        mode.v_back_lines,
    ]


def test_every_mode_of_the_table_is_exact() -> None:
    assert len(MODES) >= 200
    for row in MODES:
        mode = timing(
            int(row["width_px"]),
            int(row["height_px"]),
            refresh_hz=row["refresh_hz"],
            blanking=Blanking(int(row["blanking"])),
        )
        names = ("h_front", "h_sync", "h_back", "v_front", "v_sync", "v_back")
        assert [mode.clock_khz, *blanks(mode)] == [row["clock_khz"], *(row[name] for name in names)], row
        assert mode.refresh_hz == pytest.approx(row["actual_hz"], abs=1e-6)


@pytest.mark.parametrize(
    ("mode", "clocks_mhz"),
    [
        # Mode, then standard / reduced 1 / reduced 2, as printed by edid-decode.
        ((1920, 1080, 60), (173.000, 138.500, 133.320)),
        ((1920, 1200, 60), (193.250, 154.000, 148.200)),
        ((2160, 1200, 90), (337.000, 261.250, 252.403)),
        ((2560, 1440, 144), (808.750, 604.250, 586.586)),
        ((3840, 2160, 60), (712.750, 533.250, 522.614)),  # some generators print 533.00 for the second
        ((4320, 2160, 90), (1235.250, 908.750, 892.583)),
    ],
)
def test_known_pixel_clocks(mode: tuple[int, int, int], clocks_mhz: tuple[float, ...]) -> None:
    width, height, rate = mode
    found = [timing(width, height, refresh_hz=rate, blanking=blanking).clock_mhz for blanking in Blanking]
    assert found == pytest.approx(clocks_mhz, abs=1e-9)


@pytest.mark.parametrize(
    ("width", "height", "clock_mhz"),
    # VESA DMT 0x44, 0x4c and 0x57, as listed by edid-decode --list-dmts.
    [(1920, 1200, 154.0), (2560, 1600, 268.5)],
)
def test_monitor_standard_modes(width: int, height: int, clock_mhz: float) -> None:
    assert timing(width, height, refresh_hz=60, blanking=Blanking.REDUCED_V1).clock_mhz == clock_mhz


def test_monitor_standard_mode_with_second_reduced_blanking() -> None:
    assert timing(4096, 2160, refresh_hz=60, blanking=Blanking.REDUCED_V2).clock_mhz == 556.744


def test_the_rate_a_clock_really_gives_lies_below_the_nominal_one() -> None:
    mode = timing(2160, 1200, refresh_hz=90, blanking=Blanking.STANDARD)
    assert mode.refresh_hz == pytest.approx(89.930, abs=5e-4)
    assert mode.line_rate_khz == pytest.approx(mode.clock_khz / mode.h_total_px)


@pytest.mark.parametrize("side", [(63, 1080), (1920, 63), (32769, 1080), (1920, 32769)])
def test_impossible_size_is_refused(side: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="64 to 32768"):
        timing(*side, refresh_hz=60, blanking=Blanking.STANDARD)


@pytest.mark.parametrize("rate", [0.0, 9.9, 1000.1, float("nan")])
def test_impossible_rate_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="10 to 1000 Hz"):
        timing(1920, 1080, refresh_hz=rate, blanking=Blanking.STANDARD)


@given(st.integers(64, 32768), st.integers(64, 32768), st.floats(10, 1000), st.sampled_from(sorted(Blanking)))
def test_any_mode_in_range_has_sane_blanking(
    width: int, height: int, rate: float, blanking: Blanking
) -> None:
    mode = timing(width, height, refresh_hz=rate, blanking=blanking)
    assert min(blanks(mode)) >= 0
    assert mode.v_sync_lines > 0
    # The clock is rounded down; only the estimate of the standard timing can come out a little above.
    if blanking is not Blanking.STANDARD:
        assert mode.refresh_hz <= rate * (1 + 1e-9)


def asked(width: int, height: int, rate: float, blanking: Blanking) -> tuple[float, float, list[int]]:
    assert ORACLE is not None
    arguments = [ORACLE, "--cvt", f"w={width},h={height},fps={rate},rb={int(blanking)}"]
    text = subprocess.run(arguments, capture_output=True, text=True, check=True).stdout
    head = re.search(r"([\d.]+) Hz .* ([\d.]+) MHz", text)
    assert head is not None
    counts = [int(n) for n in re.findall(r"[HV](?:front|sync|back)\s+(-?\d+)", text)]
    return float(head[1]), float(head[2]), counts


@pytest.mark.system
@pytest.mark.skipif(ORACLE is None, reason="edid-decode is not installed")
def test_sweep_of_other_modes_equals_the_installed_program() -> None:
    sizes = ((100, 64), (1152, 864), (1281, 1024), (1360, 768), (1600, 1200), (1832, 1920), (2064, 2208))
    sizes += ((2160, 2160), (2560, 1600), (3664, 1920), (5120, 2880))
    modes = [
        (w, h, rate, b) for w, h in sizes for rate in (23.98, 50, 72, 75, 80, 120, 240) for b in Blanking
    ]
    assert len(modes) >= 200
    for width, height, rate, blanking in modes:
        mode = timing(width, height, refresh_hz=rate, blanking=blanking)
        refresh_hz, clock_mhz, counts = asked(width, height, rate, blanking)
        assert (mode.clock_mhz, blanks(mode)) == (clock_mhz, counts), (width, height, rate, blanking)
        assert mode.refresh_hz == pytest.approx(refresh_hz, abs=2e-6)
