"""The kernel's processor list."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.cpuinfo import parse_cpuinfo

X86 = """processor\t: 0
vendor_id\t: GenuineIntel
model name\t: Some  Processor 9 @ 2.40GHz
microcode\t: 0x11
cpu MHz\t\t: 2400.000
physical id\t: 0
core id\t\t: 3
flags\t\t: sse2 fpu hypervisor

processor\t: 1
core id\t\t: x
"""
ARM = """Processor\t: ARMv7 Processor rev 1 (v7l)
processor\t: 0
BogoMIPS\t: 1.0

Features\t: neon
CPU implementer\t: 0x41
"""


def test_x86():
    info = parse_cpuinfo(X86)
    assert (info.model, info.vendor, info.base_mhz, info.hypervisor) == (
        "Some Processor 9 @ 2.40GHz", "GenuineIntel", 2400.0, True,
    )  # fmt: skip
    first, second = info.blocks
    assert (first.cpu, first.package, first.core, first.mhz, first.microcode) == (0, 0, 3, 2400.0, "0x11")
    assert (second.cpu, second.package, second.core, second.mhz, second.microcode) == (
        1,
        None,
        None,
        None,
        "",
    )


def test_arm():
    info = parse_cpuinfo(ARM)
    assert (info.model, info.vendor, info.features, info.base_mhz) == (
        "ARMv7 Processor rev 1 (v7l)", "0x41", ("neon",), None,
    )  # fmt: skip


def test_a_list_without_names():
    info = parse_cpuinfo("processor : 7\n")
    assert (info.model, info.vendor, info.blocks[0].cpu) == (None, None, 7)


@pytest.mark.parametrize("text", ["", "nothing", "processor : many"])
def test_no_processor_is_an_error(text):
    with pytest.raises(ParseError, match="processor"):
        parse_cpuinfo(text)
