from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.errors import ParseError
from burnin.parse.hwmon import (
    KINDS,
    SENTINELS_C,
    parse_alarms,
    parse_attributes,
    parse_label,
    parse_limit,
    parse_reading,
)
from burnin.records.channels import IMPLAUSIBLE, OK


@pytest.mark.parametrize(
    ("kind", "data", "value"),
    [
        # units of the kernel's documentation, hwmon/sysfs-interface: m degC, mV, rpm, mA, uW, 0-255, m%, Hz
        ("temp", b"49850\n", 49.85),
        ("temp", b"-5000\n", -5.0),
        ("in", b"12096\n", 12.096),
        ("fan", b"1150\n", 1150.0),
        ("curr", b"2500\n", 2.5),
        ("power", b"65000000\n", 65.0),
        ("pwm", b"255\n", 100.0),
        ("pwm", b"0\n", 0.0),
        ("humidity", b"45000\n", 45.0),
        ("freq", b"1800000000\n", 1800.0),
    ],
)
def test_units_are_converted_once(kind, data, value):
    reading = parse_reading(kind, data)
    assert (reading.value, reading.quality) == (pytest.approx(value), OK)


@pytest.mark.parametrize("sentinel", SENTINELS_C)
def test_values_of_unconnected_inputs_are_kept_and_marked(sentinel):
    reading = parse_reading("temp", b"%d" % round(sentinel * 1000))
    assert (reading.value, reading.quality) == (sentinel, IMPLAUSIBLE)
    assert reading.reason


@pytest.mark.parametrize(
    ("kind", "inside", "outside"),
    [
        ("temp", 150_000, 150_001),
        ("temp", -40_000, -40_001),
        ("temp", 126_999, 127_000),
        ("in", 60_000, 60_001),
        ("in", -20_000, -20_001),
        ("fan", 30_000, 30_001),
        ("fan", 0, -1),
        ("curr", 1_000_000, 1_000_001),
        ("power", 3_000_000_000, 3_000_000_001),
        ("pwm", 255, 256),
        ("humidity", 100_000, 100_001),
    ],
)
def test_both_sides_of_every_bound(kind, inside, outside):
    assert parse_reading(kind, b"%d" % inside).quality == OK
    assert parse_reading(kind, b"%d" % outside).quality == IMPLAUSIBLE


def test_a_faulty_sensor_is_marked_whatever_it_shows():
    reading = parse_reading("temp", b"45000", b"1\n")
    assert (reading.value, reading.quality) == (45.0, IMPLAUSIBLE)
    assert parse_reading("temp", b"45000", b"0\n").quality == OK
    with pytest.raises(ParseError, match="fault bit"):
        parse_reading("temp", b"45000", b"?\n")


@pytest.mark.parametrize(
    ("kind", "data", "limit"),
    [
        ("temp", b"100000\n", 100.0),
        ("temp", b"84850\n", 84.85),
        ("temp", b"-273150\n", None),  # what a drive driver shows for an unset limit
        ("temp", b"65261850\n", None),  # 65535 K in degC: unset upper limit of a drive
        ("temp", b"0\n", None),
        ("temp", b"127000\n", None),
        ("temp", b"255000\n", None),
        ("power", b"220000000\n", 220.0),
        ("in", b"0\n", None),
    ],
)
def test_limits_are_limits_or_nothing(kind, data, limit):
    assert parse_limit(kind, data) == limit


def test_a_garbled_limit_is_an_error_for_the_caller():
    with pytest.raises(ParseError, match="limit"):
        parse_limit("temp", b"unset\n")


def test_sensors_are_found_by_kind_then_number():
    names = ("fan1_input", "temp10_input", "temp2_input", "temp2_label", "in0_input", "pwm1", "pwm1_enable", "temp2_crit_hyst",
             "energy1_input", "power1_cap", "power2_average", "power2_input", "power1_average", "power1_average_interval",
             "freq1_input", "curr1_input", "humidity1_input", "name", "uevent", "intrusion0_alarm", "temp1000_input")  # fmt: skip
    assert [attribute.file for attribute in parse_attributes(names)] == [
        "temp2_input", "temp10_input", "in0_input", "fan1_input", "curr1_input", "power1_average", "power2_input",
        "pwm1", "humidity1_input", "freq1_input",
    ]  # fmt: skip
    assert [attribute.sensor for attribute in parse_attributes(("pwm3", "temp1_input"))] == ["temp1", "pwm3"]


def test_alarms_name_their_sensor_and_kind():
    names = (
        "temp1_crit_alarm",
        "temp1_alarm",
        "in4_min_alarm",
        "fan2_alarm",
        "temp1_crit",
        "intrusion0_alarm",
        "power1_cap_alarm",
    )
    assert [(alarm.sensor, alarm.kind, alarm.which) for alarm in parse_alarms(names)] == [
        ("fan2", "fan", ""), ("in4", "in", "min"), ("power1", "power", "cap"), ("temp1", "temp", ""), ("temp1", "temp", "crit"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("data", "label"),
    [
        (b"Package id 0\n", "Package id 0"),
        (b"", ""),
        (b"a\x1b[31mred\n", "a [31mred"),
        (b"two\nlines\n", "two lines"),
        (b"x" * 500, "x" * 60),
        (b"\xff\n", "\N{REPLACEMENT CHARACTER}"),
    ],
)
def test_labels_are_printable_and_short(data, label):
    assert parse_label(data) == label


@given(st.sampled_from(sorted(KINDS)), st.binary(max_size=40))
def test_any_bytes_give_a_reading_or_a_parse_error(kind, data):
    try:
        reading = parse_reading(kind, data)
    except ParseError:
        return
    assert reading.quality in {OK, IMPLAUSIBLE}
    assert bool(reading.reason) == (reading.quality == IMPLAUSIBLE)
