from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.errors import ParseError
from burnin.parse.counters import (
    is_virtual,
    parse_cpu_clocks_mhz,
    parse_integer,
    parse_named_counts,
    total_of,
)


@pytest.mark.parametrize(
    ("data", "value"),
    [(b"42000\n", 42000), (b"-5000", -5000), (b"+7\n", 7), (b" 0 \n", 0), (b"9" * 20, int("9" * 20))],
)
def test_one_number_is_read(data, value):
    assert parse_integer(data) == value


@pytest.mark.parametrize(
    "data",
    [b"", b"\n", b"4.5\n", b"1e3", b"0x10", b"1_000", b"1 2", b"12\n13\n", b"9" * 21, "٣".encode(), b"\xff"],
)
def test_anything_else_is_refused_with_what_was_found(data):
    with pytest.raises(ParseError) as caught:
        parse_integer(data, "temperature")
    assert caught.value.message.startswith("temperature, value: found ")
    assert "expected one decimal number" in caught.value.message


@given(st.integers(min_value=-(10**19), max_value=10**19))
def test_every_number_comes_back(number):
    assert parse_integer(f"{number}\n".encode()) == number


@given(st.binary(max_size=60))
def test_no_bytes_make_anything_but_a_number_or_a_parse_error(data):
    for parse in (parse_integer, parse_named_counts):
        try:
            parse(data)
        except ParseError:
            continue
    parse_cpu_clocks_mhz(data)
    is_virtual(data)


def test_the_kernels_own_sample_of_error_counters():
    """Sample of the kernel's ABI text (sysfs-bus-pci-devices-aer_stats), long names with blanks."""
    sample = (
        b"Receiver Error 2\nBad TLP 0\nBad DLLP 0\nRELAY_NUM Rollover 0\nReplay Timer Timeout 0\nAdvisory Non-Fatal 0\n"
        b"Corrected Internal Error 0\nHeader Log Overflow 0\nTOTAL_ERR_COR 2\n"
    )
    counts = parse_named_counts(sample)
    assert counts["RELAY_NUM Rollover"] == 0
    assert counts["Receiver Error"] == 2
    assert total_of(counts) == 2


def test_the_total_and_the_sum_may_differ_and_the_larger_counts():
    assert total_of({"RxErr": 1, "BadTLP": 1, "TOTAL_ERR_COR": 1}) == 2
    assert total_of({"RxErr": 0, "TOTAL_ERR_COR": 3}) == 3
    assert total_of({}) == 0


@pytest.mark.parametrize("data", [b"RxErr\n", b"12\n", b"RxErr 1.5\n", b"RxErr -1\n"])
def test_a_line_without_count_is_refused_with_its_number(data):
    with pytest.raises(ParseError, match="line at 2"):
        parse_named_counts(b"BadTLP 0\n" + data)


def test_empty_lines_are_skipped():
    assert parse_named_counts(b"\nRxErr\t5\n\n") == {"RxErr": 5}


def test_clocks_by_processor_number():
    text = b"cpu MHz : 1\nprocessor\t: 3\ncpu MHz\t\t: 2599.998\n\nprocessor\t: 1\ncpu MHz\t: fast\nprocessor : x\nbogus\n"
    assert parse_cpu_clocks_mhz(text) == {3: 2599.998}


def test_a_virtual_machine_shows_in_the_flags():
    assert is_virtual(b"processor\t: 0\nflags\t\t: fpu hypervisor lahf_lm\n")
    assert not is_virtual(b"processor\t: 0\nmodel name\t: hypervisor box\nflags\t\t: fpu\n")
    assert not is_virtual(b"flags : fpu nohypervisor\n")
