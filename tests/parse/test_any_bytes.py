"""Every parser fed random, truncated and bit-flipped bytes: a record or a ParseError with its field, nothing else."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from burnin.errors import ParseError
from burnin.parse.cpuinfo import parse_cpuinfo
from burnin.parse.device_names import parse_device_names, parse_maker_names
from burnin.parse.drive_health import parse_drive_health
from burnin.parse.edid import parse_edid
from burnin.parse.edid_cta import parse_cta_block
from burnin.parse.edid_displayid import parse_displayid_block
from burnin.parse.edid_timing import parse_detailed_timing
from burnin.parse.kernel_values import (
    parse_assignments,
    parse_cpu_list,
    parse_hex_id,
    parse_link_speed,
    parse_size,
)
from burnin.parse.meminfo import parse_file_systems, parse_meminfo
from burnin.parse.small_tables import parse_radio_levels, parse_sound_cards
from burnin.parse.smbios_machine import parse_firmware_date, parse_machine_table
from burnin.parse.usb_descriptors import parse_capable_speed, parse_device_descriptor

FIXTURES = Path(__file__).parents[1] / "fixtures"
SEEDS: dict[str, list[bytes]] = {
    "edid": [path.read_bytes() for path in sorted((FIXTURES / "edid").glob("*.edid"))],
    "smbios": [path.read_bytes()[32:] for path in sorted((FIXTURES / "smbios").glob("*.bin"))],
    "bos": [bytes((5, 15, 15, 0, 1, 10, 16, 3, 0, 14, 0, 1, 10, 255, 7))],
    "text": [
        b"processor\t: 0\nmodel name\t: A @ 2.0GHz\n\n",
        b"MemTotal: 1024 kB\nSwapTotal: 0 kB\n",
        b"/dev/sda1 100 50 50 50% /\n",
        b"0-3,8",
        b"8.0 GT/s PCIe",
        b"0x10de",
        b'{"smart_status": {"passed": true}}',
        b" 0 [PCH            ]: HDA-Intel - HDA Intel PCH\n",
        b"wlan0: 0000   54.  -56.  -256 0\n",
        b"07/07/2020",
        b"1234  Maker\n\t0001  Device\n",
    ],
}


def of_text(parse: Callable[[str], object]) -> Callable[[bytes], object]:
    return lambda data: parse(data.decode("utf-8", "replace"))


PARSERS: dict[str, tuple[str, Callable[[bytes], object]]] = {
    "edid": ("edid", parse_edid),
    "cta": ("edid", lambda data: parse_cta_block(data[128:256])),
    "displayid": ("edid", lambda data: parse_displayid_block(data[128:256])),
    "timing": ("edid", lambda data: parse_detailed_timing(data[54:72])),
    "smbios": ("smbios", parse_machine_table),
    "bos": ("bos", parse_capable_speed),
    "device": ("bos", parse_device_descriptor),
    "cpuinfo": ("text", of_text(parse_cpuinfo)),
    "meminfo": ("text", of_text(parse_meminfo)),
    "file systems": ("text", of_text(parse_file_systems)),
    "cpu list": ("text", of_text(parse_cpu_list)),
    "size": ("text", of_text(parse_size)),
    "link speed": ("text", of_text(parse_link_speed)),
    "hex id": ("text", of_text(lambda text: parse_hex_id(text, digits=4))),
    "assignments": ("text", of_text(parse_assignments)),
    "drive health": ("text", parse_drive_health),
    "sound": ("text", of_text(parse_sound_cards)),
    "radio": ("text", of_text(parse_radio_levels)),
    "date": ("text", of_text(parse_firmware_date)),
    "names": ("text", lambda data: parse_device_names(data, [("1234", "0001")]).best("1234", "0001")),
    "makers": ("text", lambda data: parse_maker_names(data, ["ABC"])),
}


@st.composite
def damaged(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """Random bytes, or a real case truncated, extended or with bits flipped."""
    if draw(st.booleans()):
        return draw(st.binary(max_size=300))
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(0, 8))):
        place = draw(st.integers(0, len(data) - 1))
        data[place] ^= 1 << draw(st.integers(0, 7))
    end = draw(st.integers(0, len(data)))
    return bytes(data[: end if draw(st.booleans()) else len(data)]) + draw(st.binary(max_size=4))


def outcome(parse: Callable[[bytes], object], data: bytes) -> object:
    try:
        return parse(data)
    except ParseError as error:
        return error


@pytest.mark.parametrize("name", PARSERS)
def test_a_record_or_a_parse_error_and_nothing_else(name):
    group, parse = PARSERS[name]

    @settings(max_examples=100, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
    @given(damaged(SEEDS[group]))
    def check(data: bytes) -> None:
        found = outcome(parse, data)
        assert not isinstance(found, ParseError) or (found.field and found.message)

    check()
