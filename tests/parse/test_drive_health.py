"""A drive's own report."""

from __future__ import annotations

import json

import pytest

from burnin.errors import ParseError
from burnin.parse.drive_health import DriveHealth, parse_drive_health


def report(**fields: object) -> bytes:
    return json.dumps(fields).encode()


def test_health_and_wear():
    nvme = report(smart_status={"passed": True}, nvme_smart_health_information_log={"percentage_used": 3})
    assert parse_drive_health(nvme) == DriveHealth(healthy=True, wear_pct=3.0)
    sata = report(smart_status={"passed": False}, endurance_used={"current_percent": 101})
    assert parse_drive_health(sata) == DriveHealth(healthy=False, wear_pct=101.0)


@pytest.mark.parametrize(
    "data",
    [
        report(),
        report(smart_status="yes", nvme_smart_health_information_log=[1]),
        report(smart_status={"passed": 1}, endurance_used={"current_percent": True}),
        report(
            endurance_used={"current_percent": -1}, nvme_smart_health_information_log={"percentage_used": "3"}
        ),
    ],
)
def test_fields_of_another_form_are_not_given(data):
    assert parse_drive_health(data) == DriveHealth()


@pytest.mark.parametrize("data", [b"", b"[]", b"\xff", b"3", b"[" * 100000])
def test_what_is_no_report(data):
    with pytest.raises(ParseError, match="drive health report"):
        parse_drive_health(data)
