from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.parse.powercap import MOST_W, mean_power, parse_zone_name, role_of_zone
from burnin.records.channels import IMPLAUSIBLE, MISSING, OK

LARGE = (2**32 - 1) * 61035 // 1000
SMALL = (2**32 - 1) * 15258 // 1000


def test_ranges_are_those_of_real_machines():
    """262143328850 and 65532610987 stand in public files of real machines."""
    assert (LARGE, SMALL) == (262_143_328_850, 65_532_610_987)


def test_a_wrap_at_150_w_comes_after_29_minutes():
    assert pytest.approx(29.1, abs=0.1) == LARGE / 1e6 / 150.0 / 60.0


@given(
    power_w=st.floats(min_value=0.0, max_value=900.0),
    span_s=st.floats(min_value=0.05, max_value=60.0),
    before=st.integers(min_value=0, max_value=SMALL - 1),
)
def test_power_comes_back_across_a_wrap(power_w, span_s, before):
    now = (before + round(power_w * span_s * 1e6)) % SMALL
    reading = mean_power(before, now, range_uj=SMALL, span_s=span_s)
    assert reading.quality == OK
    assert reading.value == pytest.approx(power_w, abs=1e-4)


@pytest.mark.parametrize(
    ("before", "now", "range_uj", "span_s", "quality"),
    [
        (0, 10, LARGE, 0.0, MISSING),
        (0, 10, LARGE, -1.0, MISSING),
        (10, 0, 0, 1.0, MISSING),
        (0, 0, SMALL, 65.0, OK),
        (0, 0, SMALL, 66.0, MISSING),
        (0, 0, 0, 10_000.0, OK),
        (0, round(MOST_W * 1e6), LARGE, 1.0, OK),
        (0, round(MOST_W * 1e6) + 1, LARGE, 1.0, IMPLAUSIBLE),
        (SMALL + 5, 0, SMALL, 1.0, IMPLAUSIBLE),
    ],
)
def test_both_sides_of_every_refusal(before, now, range_uj, span_s, quality):
    reading = mean_power(before, now, range_uj=range_uj, span_s=span_s)
    assert reading.quality == quality
    assert bool(reading.reason) == (quality != OK)


@pytest.mark.parametrize(
    ("zone", "name", "role"),
    [
        ("intel-rapl:0", "package-0", "cpu_power"),
        ("intel-rapl:1", "package-1", "cpu_power"),
        ("intel-rapl:0:0", "core", "none"),
        ("intel-rapl:0:2", "package-0", "none"),
        ("intel-rapl:1", "psys", "none"),
    ],
)
def test_roles(zone, name, role):
    assert role_of_zone(zone, name) == role


def test_the_second_view_of_a_package_is_not_counted_again():
    assert role_of_zone("intel-rapl-mmio:0", "package-0") == "none"


@pytest.mark.parametrize(
    ("data", "name"), [(b"package-0\n", "package-0"), (b"\n", "unnamed"), (b"x" * 99, "x" * 40)]
)
def test_names(data, name):
    assert parse_zone_name(data) == name
