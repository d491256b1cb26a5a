"""CTA-861 extensions: data blocks at and over their edges, and detailed timings."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.edid_cta import parse_cta_block
from burnin.parse.edid_timing import parse_detailed_timing
from burnin.parse.edid_video_codes import mode_of


def block(*data: bytes, revision: int = 3, start: int | None = None, timings: bytes = b"") -> bytes:
    body = b"".join(data)
    begin = 4 + len(body) if start is None else start
    filled = bytes((2, revision, begin, 0)) + body + timings
    return filled.ljust(128, b"\0")


def tagged(tag: int, payload: bytes) -> bytes:
    return bytes((tag << 5 | len(payload),)) + payload


def test_codes_lose_their_native_flag_and_reserved_ones_are_left_out():
    assert parse_cta_block(block(tagged(2, bytes((16, 0x90, 193, 0, 128, 254, 255))))).video_codes == (
        16,
        16,
        193,
    )


def test_the_forum_block_also_stands_under_the_extended_tag():
    payload = bytes((0x79, 0, 0, 1, 120, 0, 0x10))
    parsed = parse_cta_block(block(tagged(7, payload)))
    assert (parsed.tmds_mhz, parsed.frl_gbit_s, parsed.hdmi) == ((600.0,), 9.0, False)


def test_short_vendor_blocks_state_nothing():
    for payload in (
        b"\x03\x0c\x00",
        b"\x03\x0c\x00\x10\x00\x00\x00",
        b"\xd8\x5d\xc4",
        b"\xd8\x5d\xc4\x01\x00",
        b"\x12",
    ):
        assert parse_cta_block(block(tagged(3, payload))).tmds_mhz == ()
    assert parse_cta_block(block(tagged(3, b"\x03\x0c\x00"))).hdmi
    assert parse_cta_block(block(tagged(3, b"\xd8\x5d\xc4\x01\x00\x00\xf0"))).frl_gbit_s is None


def test_revision_1_has_no_data_blocks():
    assert parse_cta_block(block(tagged(2, bytes((16,))), revision=1)).video_codes == ()


def test_a_data_block_that_runs_over_is_a_trouble_and_those_before_it_are_kept():
    parsed = parse_cta_block(block(tagged(2, bytes((16,))), bytes((0x5F,)), start=8))
    assert parsed.video_codes == (16,)
    assert "at 6" in parsed.trouble


def test_timings_end_at_the_first_empty_one():
    dtd = bytes.fromhex("023a801871382d40582c450056502100001e")
    assert len(parse_cta_block(block(timings=dtd + dtd)).timings) == 2
    assert parse_cta_block(block(timings=bytes(18) + dtd)).timings == ()
    assert parse_cta_block(block(start=0)).timings == ()
    half = bytes((1, 0)) + bytes(16)
    assert len(parse_cta_block(block(timings=half + dtd)).timings) == 1


@pytest.mark.parametrize(
    "data", [b"", b"\x02" * 127, bytes((3, 3, 4)) + bytes(125), bytes((2, 3, 3)) + bytes(125)]
)
def test_what_is_no_extension_is_refused(data):
    with pytest.raises(ParseError):
        parse_cta_block(data)


def test_a_detailed_timing_of_1080p60_as_cta_861_sets_it():
    """CTA-861, code 16: 148.5 MHz, 2200 by 1125 in all, 60 Hz."""
    mode = parse_detailed_timing(bytes.fromhex("023a801871382d40582c450056502100001e"))
    assert (mode.width_px, mode.height_px, mode.refresh_hz, mode.clock_mhz) == (1920, 1080, 60.0, 148.5)


def test_an_interlaced_timing_counts_whole_frames_and_fields():
    """CTA-861, code 5: 1920x1080i at 60 fields, 74.25 MHz, 562.5 lines a field."""
    mode = parse_detailed_timing(bytes.fromhex("011d8018711c1620582c250056502100009e"))
    assert (mode.width_px, mode.height_px, mode.refresh_hz) == (1920, 1080, 60.0)


def test_what_is_no_timing_gives_none():
    assert parse_detailed_timing(bytes(18)) is None
    assert parse_detailed_timing(b"\x01\x00") is None
    assert parse_detailed_timing(b"\x01\x00" + bytes(16)) is None


@pytest.mark.parametrize(
    ("code", "clock"), [(16, 148.5), (63, 297.0), (95, 297.0), (97, 594.0), (118, 1188.0)]
)
def test_coded_modes_have_the_clocks_of_cta_861(code, clock):
    assert mode_of(code).clock_mhz == clock


def test_a_code_nobody_assigned_is_no_mode():
    assert mode_of(0) is None
