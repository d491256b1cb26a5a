"""The SMBIOS parser against dmidecode on real tables, and against damage."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from burnin.errors import ParseError
from burnin.parse.smbios import MOST_STRUCTURES, Structure, meaningful, parse_structures
from burnin.parse.smbios_machine import MachineTable, channel_of, parse_firmware_date, parse_machine_table

FOLDER = Path(__file__).parents[1] / "fixtures" / "smbios"
CASES = sorted(FOLDER.glob("*.bin"))
IDS = [case.stem for case in CASES]
_UNITS = {"kB": 1 << 10, "MB": 1 << 20, "GB": 1 << 30, "TB": 1 << 40}


def table_of(case: Path) -> bytes:
    """The structure table of a dump: everything after the entry point's 32 bytes."""
    return case.read_bytes()[32:]


def blocks(text: str, kind: str) -> list[dict[str, str]]:
    """Blocks of dmidecode's output under one heading, as key and value (nothing of ours)."""
    found = []
    for part in text.split("\n\n"):
        lines = part.strip().splitlines()
        if kind in lines[:2]:
            found.append(dict(re.findall(r"^\t([^:\t]+): (.*)$", part, re.MULTILINE)))
    return found


def size_of(text: str) -> int | None:
    match = re.fullmatch(r"(\d+) (kB|MB|GB|TB)", text)
    return int(match[1]) * _UNITS[match[2]] if match else 0 if text == "No Module Installed" else None


def number_of(text: str | None) -> float | None:
    match = re.match(r"[\d.]+", text or "")
    return float(match[0]) if match and float(match[0]) else None


def agree(parsed: MachineTable, text: str) -> None:
    bios, board, system = (
        blocks(text, kind)[0] for kind in ("BIOS Information", "Base Board Information", "System Information")
    )
    assert parsed.board.firmware_maker == meaningful(bios["Vendor"])
    assert parsed.board.firmware_version == " ".join(bios["Version"].split())
    month, day, year = bios["Release Date"].split("/")
    assert parsed.board.firmware_date == f"{year}-{month}-{day}"
    assert parsed.board.product == meaningful(board["Product Name"])
    assert parsed.board.maker == meaningful(board["Manufacturer"])
    assert parsed.board.system_product == meaningful(system["Product Name"])
    devices = blocks(text, "Memory Device")
    if "Flash Memory" in text:
        devices = [item for item in devices if item.get("Type") != "Flash"]
    assert [module.slot for module in parsed.memory.modules] == [item["Locator"] for item in devices]
    for module, item in zip(parsed.memory.modules, devices, strict=True):
        filled = size_of(item["Size"]) != 0
        assert module.size_bytes == size_of(item["Size"])
        assert module.bank == (meaningful(item["Bank Locator"]) or "")
        if not filled:
            continue
        assert module.kind == item["Type"]
        assert module.form == item["Form Factor"]
        assert module.rated_mts == number_of(item.get("Speed"))
        assert module.configured_mts == number_of(item.get("Configured Memory Speed"))
        assert module.voltage_v == number_of(item.get("Configured Voltage"))
        assert module.total_width_bits == number_of(item["Total Width"])
        assert module.data_width_bits == number_of(item["Data Width"])
        assert module.maker == meaningful(item["Manufacturer"])
        assert module.part_number == meaningful(item["Part Number"])
    arrays = [item for item in blocks(text, "Physical Memory Array") if item["Use"] == "System Memory"]
    assert parsed.memory.most_bytes == sum(size_of(item["Maximum Capacity"]) or 0 for item in arrays)
    assert parsed.memory.correction == arrays[0]["Error Correction Type"].replace("None", "none")
    processors = blocks(text, "Processor Information")
    assert [item.max_mhz for item in parsed.processors] == [
        number_of(item["Max Speed"]) for item in processors
    ]
    assert [item.cores for item in parsed.processors] == [
        number_of(item["Core Count"]) for item in processors
    ]
    assert [item.threads for item in parsed.processors] == [
        number_of(item["Thread Count"]) for item in processors
    ]


def test_there_are_cases():
    assert len(CASES) >= 3


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_agrees_with_the_kept_output_of_dmidecode(case):
    agree(parse_machine_table(table_of(case)), case.with_suffix(".txt").read_text())


@pytest.mark.system
@pytest.mark.skipif(shutil.which("dmidecode") is None, reason="needs dmidecode")
@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_agrees_with_dmidecode_as_installed(case):
    done = subprocess.run(["dmidecode", "--from-dump", str(case)], capture_output=True, text=True, check=True)
    agree(parse_machine_table(table_of(case)), done.stdout)


def structure(kind: int, area: bytes, *strings: str, handle: int = 0) -> bytes:
    """One structure after DSP0134, clause 6.1."""
    head = bytes((kind, 4 + len(area))) + handle.to_bytes(2, "little")
    return head + area + (b"".join(text.encode() + b"\0" for text in strings) or b"\0") + b"\0"


def device(**fields: int) -> bytes:
    """A memory device (type 17, version 3.3, 0x5C bytes) with fields at the specification's offsets."""
    area = bytearray(0x5C)
    widths = {0x1C: 4, 0x54: 4, 0x58: 4, 0xE: 1, 0x10: 1, 0x11: 1, 0x12: 1, 0x17: 1, 0x18: 1, 0x1A: 1}
    for name, value in fields.items():
        offset = int(name[1:], 16)
        width = widths.get(offset, 2)
        area[offset : offset + width] = value.to_bytes(width, "little")
    return structure(17, bytes(area[4:]), "DIMM_A2", "P0 CHANNEL A", "KIT-32G-6000")


def module(**fields: int):
    defaults = {"x10": 1, "x11": 2, "x1A": 3, "xC": 16384}
    return parse_machine_table(device(**{**defaults, **fields})).memory.modules[0]


def test_a_modern_module_with_all_its_fields():
    """DSP0134, 7.18: type 0x22 is DDR5, form 0x09 is DIMM; speeds in MT/s, voltage in mV."""
    found = module(x8=64, xA=64, xE=9, x12=0x22, x15=6000, x20=4800, x26=1100)
    assert (found.kind, found.form, found.rated_mts, found.configured_mts) == ("DDR5", "DIMM", 6000, 4800)
    assert (found.size_bytes, found.voltage_v, found.part_number, found.channel) == (
        16 << 30,
        1.1,
        "KIT-32G-6000",
        "A",
    )


def test_sizes_in_every_form_the_specification_has():
    assert module(xC=0).size_bytes == 0
    assert module(xC=0xFFFF).size_bytes is None
    assert module(xC=0x8000 | 512).size_bytes == 512 << 10
    assert module(xC=0x7FFF, x1C=49152).size_bytes == 48 << 30
    short = structure(17, bytes(8) + (0x7FFF).to_bytes(2, "little") + bytes(8))
    assert parse_machine_table(short).memory.modules[0].size_bytes is None
    assert parse_machine_table(structure(17, b"")).memory.modules[0].size_bytes is None


def test_speeds_beyond_two_bytes_and_unknown_ones():
    """DSP0134 3.3: 0xFFFF points to the extended speed at 0x54 and 0x58."""
    assert module(x15=0xFFFF, x54=70000).rated_mts == 70000
    assert module(x15=0xFFFF).rated_mts is None
    assert module(x15=0).rated_mts is None
    assert module(x8=0xFFFF, xA=0).total_width_bits is None


def test_an_array_of_terabytes_and_memory_mapped_above_four():
    array = bytes((3, 3, 6)) + (0x80000000).to_bytes(4, "little") + bytes(4) + (2 << 40).to_bytes(8, "little")
    mapped = (
        b"\xff" * 8
        + (0x30).to_bytes(2, "little")
        + b"\x01"
        + (0).to_bytes(8, "little")
        + ((1 << 40) - 1).to_bytes(8, "little")
    )
    small = (
        (0).to_bytes(4, "little")
        + ((1 << 20) - 1).to_bytes(4, "little")
        + (0x30).to_bytes(2, "little")
        + b"\x01"
    )
    facts = parse_machine_table(
        structure(16, array, handle=0x30) + structure(19, mapped) + structure(19, small) + structure(127, b"")
    ).memory
    assert (facts.most_bytes, facts.mapped_bytes, facts.correction) == (
        2 << 40,
        (1 << 40) + (1 << 30),
        "Multi-bit ECC",
    )
    none = parse_machine_table(
        structure(16, array[:3], handle=1) + structure(19, b"\xff" * 8 + b"\x01\0")
    ).memory
    assert (none.most_bytes, none.mapped_bytes) == (None, None)
    nothing = parse_machine_table(
        structure(16, array[:7], handle=1) + structure(19, bytes(8) + b"\x01\0")
    ).memory
    assert (nothing.most_bytes, nothing.mapped_bytes) == (None, None)


def test_a_processor_of_many_cores_and_an_empty_socket():
    """DSP0134 3.0: 0xFF points to the two-byte counts; status bit 6 says whether the socket is filled."""
    area = bytearray(0x30)
    area[4], area[0x10], area[0x18] = 1, 2, 0x41
    area[0x23] = area[0x25] = 0xFF
    area[0x2A:0x2C] = (300).to_bytes(2, "little")
    found = parse_machine_table(structure(4, bytes(area[4:]), "SOCKET", "Many Cores")).processors[0]
    assert (found.cores, found.threads, found.version, found.populated) == (300, 255, "Many Cores", True)
    area[0x18] = 0
    empty = parse_machine_table(structure(4, bytes(area[4:]), "SOCKET", "Many Cores")).processors[0]
    assert (empty.version, empty.populated) == (None, False)
    assert parse_machine_table(structure(4, b"")).processors[0].socket == "processor"


def test_the_end_marker_ends_the_table():
    assert len(parse_structures(structure(127, b"") + b"\xff" * 50)) == 1
    assert parse_structures(b"") == ()


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"\x01\x04\x00", "header"),
        (b"\x01\x03\x00\x00\x00\x00", "length"),
        (b"\x01\x40\x00\x00\x00\x00", "length"),
        (b"\x01\x04\x00\x00text", "strings"),
        (structure(2, b"") * (MOST_STRUCTURES + 1), "number of structures"),
    ],
    ids=["header", "short length", "long length", "strings", "too many"],
)
def test_damage_is_named_with_field_and_offset(data, field):
    with pytest.raises(ParseError, match=f"SMBIOS table, {field} at ") as caught:
        parse_structures(data)
    assert caught.value.offset is not None


def test_a_string_number_without_a_string_is_nothing():
    bare = Structure(kind=1, handle=0, area=b"\x01\x05\x00\x00\x07", strings=("one",), offset=0)
    assert bare.text(4) is None
    assert bare.text(99) is None


@pytest.mark.parametrize(
    "text", ["", "  ", "To Be Filled By O.E.M.", "Default string", "Not  Specified", "00000000"]
)
def test_texts_nobody_filled_in_are_nothing(text):
    assert meaningful(text) is None


def test_dates_are_turned_round_and_wrong_ones_refused():
    assert parse_firmware_date("07/09/2020") == "2020-07-09"
    assert parse_firmware_date("07/09/98") == "1998-07-09"
    for wrong in (None, "", "2020-07-09", "13/01/2020", "01/32/2020"):
        assert parse_firmware_date(wrong) is None


@pytest.mark.parametrize(
    ("slot", "bank", "channel"),
    [
        ("ChannelA-DIMM0", "BANK 0", "A"),
        ("DIMM 1", "P0 CHANNEL B", "B"),
        ("Controller1-ChannelA-DIMM0", "BANK 0", "1A"),
        ("DIMM_B2", "", "B"),
        ("DIMMA1", "", "A"),
        ("DIMM 3", "BANK 2", ""),
        ("CPU0 DIMM1", "", ""),
    ],
)
def test_channels_are_read_from_names_as_boards_print_them(slot, bank, channel):
    assert channel_of(slot, bank) == channel
