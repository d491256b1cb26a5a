from __future__ import annotations

import math

import pytest

from burnin.records.events import Anchor
from burnin.report.figures import (
    clock,
    data_size,
    decimals_for,
    drive_size,
    figure,
    grouped,
    link_speed,
    local_time,
    rounded,
    shown,
    significant,
    span,
    unit_sign,
)


def test_a_figure_just_beyond_its_limit_does_not_round_to_the_limit():
    assert decimals_for("degC", 71.23, 90.0, 18.77) == 1
    assert decimals_for("degC", 85.04, 85.0, -0.04) == 2
    assert decimals_for("degC", 85.0000001, 85.0, -1e-7) == 6
    assert decimals_for("furlong", 1.0) is None
    assert decimals_for("V", None, math.nan) == 3


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (1234.5678, "1235"),
        (0.0123456, "0.01235"),
        (12345678.0, "1.235e+07"),
        (1e-5, "1.000e\u221205"),
        (-2.5, "\u22122.5"),
        (10.0, "10"),
    ],
)
def test_four_significant_digits(value, text):
    assert significant(value) == text


def test_rounding_shows_no_minus_nought_and_names_what_is_no_number():
    assert rounded(-0.04, 1) == "0.0"
    assert rounded(-0.06, 1) == "\u22120.1"
    assert rounded(math.inf, 1) == "not a number"
    assert rounded(3.14159, None) == "3.142"


def test_shown_keeps_the_exact_value_and_groups_from_five_digits():
    assert (shown(123456.5, 1).text, shown(123456.5, 1).exact) == ("123\u202f456.5", "123456.5")
    assert (shown(None, 1).text, shown(math.nan, 1).exact) == ("\u2013", "")
    assert grouped("9999.25") == "9999.25"
    assert grouped("\u221212345") == "\u221212\u202f345"
    assert grouped("1.2e+07") == "1.2e+07"


def test_figures_with_units():
    assert figure(71.26, "degC") == "71.3 \u00b0C"
    assert figure(3.0, "count") == "3"
    assert figure(None, "W") == figure(math.nan, "W") == "not measured"
    assert unit_sign("\u202eW") == "[U+202E]W"


def test_sizes_and_speeds():
    assert data_size(32 << 30) == "32 GiB"
    assert data_size(512 << 20) == "512 MiB"
    assert data_size(None) == "size unknown"
    assert drive_size(1_000_204_886_016) == "1 TB"
    assert drive_size(500_107_862_016) == "500.1 GB"
    assert link_speed(10000) == "10 Gbit/s"
    assert link_speed(480) == "480 Mbit/s"


@pytest.mark.parametrize(
    ("span_s", "text"),
    [
        (0.0, "0 s"),
        (12.34, "12.3 s"),
        (119.4, "119.4 s"),
        (119.6, "2 min"),
        (5100, "85 min"),
        (7200, "2 h"),
        (28740, "7 h 59 min"),
    ],
)
def test_spans_in_words(span_s, text):
    assert span(span_s) == text


def anchor(wall_ns, offset_s):
    return Anchor(wall_ns=wall_ns, utc_offset_s=offset_s, mono_ns=0, boot_ns=0)


def test_local_time_comes_from_the_anchor_alone():
    # 1 780 000 000 s is 2026-05-28 20:26:40 UTC (date -u -d @1780000000)
    assert clock(local_time(anchor(1_780_000_000_000_000_000, 7200))) == "2026-05-28 22:26:40 +02:00"
    assert (
        clock(local_time(anchor(1_780_000_000_000_000_000, -12600), 20_000_000_000))
        == "2026-05-28 16:57:00 \u221203:30"
    )


def test_an_impossible_time_is_no_traceback():
    assert clock(local_time(anchor(10**21, 0))).startswith("1970-01-01")
    assert clock(local_time(anchor(0, 10**9))).startswith("1970-01-01 23:59")
