"""The EDID parser against edid-decode, over displays of many makes, and against damage of every kind."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from burnin.errors import ParseError
from burnin.parse.edid import Edid, parse_edid, parse_maker
from burnin.parse.edid_video_codes import mode_of

FOLDER = Path(__file__).parents[1] / "fixtures" / "edid"
CASES = sorted(FOLDER.glob("*.edid"))
IDS = [case.stem for case in CASES]
NEWER = {"ayaneo-wxga", "cta-timings"}
"""Files whose extension the edid-decode of Debian 12 gives up on: there the kept output of a newer one counts alone."""
LIVE = [case for case in CASES if case.stem not in NEWER]
GOOD = (FOLDER / "msi-mag321curv-dp.edid").read_bytes()
HDMI = (FOLDER / "samsung-q800t-hdmi2.0.edid").read_bytes()


def reference(text: str) -> dict[str, object]:
    """What edid-decode says, by its own wording (read here with regular expressions, nothing of ours)."""
    one = lambda pattern: (match := re.search(pattern, text)) and match[1]  # noqa: E731 - a table of patterns
    real = one(r"Real max dotclock: ([\d.]+) MHz")
    dtds = re.findall(r"DTD(?:\s+\d+)?:\s+(\d+)x(\d+)(i?)\s+([\d.]+) Hz.*?([\d.]+) MHz", text)
    ranges = re.search(
        r"Monitor ranges.*?: (\d+)-(\d+) Hz V, (\d+)-(\d+) kHz H(?:, max dotclock (\d+(?:\.\d+)?) MHz)?", text
    )
    listed = re.findall(r"^  Video Data Block:\n((?:    .*\n)*)", text, re.MULTILINE)
    vics = re.findall(r"^    VIC\s+(\d+):", "".join(listed), re.MULTILINE)
    return {
        "maker": one(r"Manufacturer: (\S+)"),
        "product": int(one(r"Model: (\d+)") or 0),
        "year": int(one(r"(?:Made in: (?:week \d+ of )?|Model year: )(\d{4})") or 0),
        "version": one(r"Version & Revision: (\S+)"),
        "name": (one(r"Display Product Name: '(.*)'") or "").strip() or None,
        "serial": (one(r"Display Product Serial Number: '(.*)'") or "").strip() or None,
        "dtds": sorted((int(w), int(h), round(float(hz), 2), float(mhz)) for w, h, _, hz, mhz in dtds),
        "ranges": tuple(int(item) for item in ranges.groups()[:4]) if ranges else None,
        "clock": float(real or ranges[5] or 0) or None if ranges else None,
        "tmds": [float(item) for item in re.findall(r"Maximum TMDS (?:clock|Character Rate): (\d+) MHz", text)],
        "vics": sorted({int(item) for item in vics}),
    }  # fmt: skip


def ours(edid: Edid) -> dict[str, object]:
    coded = sum(mode_of(code) is not None for block in edid.cta for code in block.video_codes)
    detailed = edid.timings[: len(edid.timings) - coded]
    limits = edid.limits
    return {
        "maker": edid.maker,
        "product": edid.product,
        "year": edid.year,
        "version": edid.version,
        "name": edid.name,
        "serial": edid.serial,
        "dtds": sorted((m.width_px, m.height_px, round(m.refresh_hz, 2), m.clock_mhz) for m in detailed),
        "ranges": (limits.low_hz, limits.high_hz, limits.low_khz, limits.high_khz) if limits else None,
        "clock": limits.max_clock_mhz if limits else None,
        "tmds": [rate for block in edid.cta for rate in block.tmds_mhz],
        "vics": sorted({code for block in edid.cta for code in block.video_codes}),
    }


def agree(edid: Edid, text: str) -> None:
    found, expected = ours(edid), reference(text)
    for (w, h, hz, mhz), (ew, eh, ehz, emhz) in zip(found.pop("dtds"), expected.pop("dtds"), strict=True):
        assert (w, h, mhz) == (ew, eh, emhz)
        assert hz == pytest.approx(ehz, abs=0.011)
    assert found == expected


def test_there_are_cases():
    assert len(CASES) >= 22


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_agrees_with_the_kept_output_of_edid_decode(case):
    agree(parse_edid(case.read_bytes()), case.with_suffix(".ref").read_text())


@pytest.mark.system
@pytest.mark.skipif(shutil.which("edid-decode") is None, reason="needs edid-decode")
@pytest.mark.parametrize("case", LIVE, ids=[case.stem for case in LIVE])
def test_agrees_with_edid_decode_as_installed(case):
    done = subprocess.run(["edid-decode", str(case)], capture_output=True, text=True, check=False)
    agree(parse_edid(case.read_bytes()), done.stdout)


def test_a_wrong_check_sum_is_a_trouble_and_the_rest_still_counts():
    bad = bytearray(HDMI)
    bad[-1] ^= 1
    edid = parse_edid(bytes(bad))
    assert edid.troubles == ("wrong check sum in block 1",)
    assert edid.max_tmds_mhz == parse_edid(HDMI).max_tmds_mhz == 300.0


def test_a_cut_off_extension_is_a_trouble():
    assert parse_edid(HDMI[:128]).troubles == ("2 blocks promised, 1 present",)
    assert parse_edid(HDMI[:200]).troubles[0] == "200 bytes are no whole number of 128-byte blocks"


def test_an_impossible_tmds_clock_is_named_and_never_counted():
    """A real display states 0xE6 times 5 = 1150 MHz; no HDMI version goes beyond 600."""
    bad = bytearray(HDMI)
    place = HDMI.index(b"\x03\x0c\x00") + 6
    bad[place] = 0xE6
    edid = parse_edid(bytes(bad))
    assert "impossible TMDS clock of 1150 MHz stated" in edid.troubles
    assert edid.max_tmds_mhz is None


def test_a_fixed_rate_link_is_read_from_the_forum_block():
    """HDMI 2.1: upper half of byte 7 after the identifier; 6 stands for 4 lanes at 12 Gbit/s."""
    assert parse_edid(HDMI).max_frl_gbit_s is None
    payload = bytes((0xD8, 0x5D, 0xC4, 1, 0x78, 0x80, 0x60))
    block = bytearray(128)
    block[:4] = bytes((2, 3, 4 + 1 + len(payload), 0))
    block[4 : 5 + len(payload)] = bytes((3 << 5 | len(payload),)) + payload
    block[127] = -sum(block) % 256
    base = bytearray(GOOD[:128])
    base[126] = 1
    base[127] = -sum(base[:127]) % 256
    edid = parse_edid(bytes(base + block))
    assert (edid.max_frl_gbit_s, edid.max_tmds_mhz, edid.troubles) == (48.0, 600.0, ())


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (lambda data: data[:127], "length"),
        (lambda data: b"", "length"),
        (lambda data: b"\x01" + data[1:], "header"),
        (lambda data: data[:18] + b"\x02" + data[19:], "version"),
    ],
    ids=["short", "empty", "header", "version"],
)
def test_what_is_no_edid_is_refused_with_the_field(change, field):
    with pytest.raises(ParseError, match=f"EDID, {field}"):
        parse_edid(change(GOOD))


def test_maker_letters_outside_the_alphabet_show_as_question_marks():
    assert parse_maker(b"\x00\x00") == "???"
    assert parse_maker(bytes((0x10, 0xAC))) == "DEL"


def test_range_offsets_of_version_1_4_are_added():
    """E-EDID 1.4: byte 4 of the descriptor adds 255 to the four limits, two bits for each pair."""
    base = bytearray(GOOD[:128])
    base[126] = 0
    place = bytes(base).index(b"\x00\x00\x00\xfd")
    base[place + 4] = 0x0F
    base[place + 5 : place + 9] = bytes((10, 20, 30, 40))
    limits = parse_edid(bytes(base)).limits
    assert (limits.low_hz, limits.high_hz, limits.low_khz, limits.high_khz) == (265, 275, 285, 295)
    base[place + 4] = 0x0A
    limits = parse_edid(bytes(base)).limits
    assert (limits.low_hz, limits.high_hz, limits.low_khz, limits.high_khz) == (10, 275, 30, 295)


def test_a_finer_clock_limit_is_subtracted():
    """CVT range descriptor: 6 bits of quarter MHz below the stated ten."""
    base = bytearray(GOOD[:128])
    base[126] = 0
    place = bytes(base).index(b"\x00\x00\x00\xfd")
    base[place + 9], base[place + 10], base[place + 12] = 30, 4, 5 << 2
    assert parse_edid(bytes(base)).limits.max_clock_mhz == 298.75
    base[place + 9], base[place + 10] = 0xFF, 0
    assert parse_edid(bytes(base)).limits.max_clock_mhz == 2550.0
    base[place + 9] = 0
    assert parse_edid(bytes(base)).limits.max_clock_mhz is None


def test_weeks_names_and_a_broken_extension():
    base = bytearray(GOOD[:128])
    base[16], base[126] = 0xFF, 1
    edid = parse_edid(bytes(base) + bytes((2, 3, 200)) + bytes(125))
    assert edid.week is None
    assert any("offset of the detailed timings" in trouble for trouble in edid.troubles)
    assert any("wrong check sum in block 0" in trouble for trouble in edid.troubles)
