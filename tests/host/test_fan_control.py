from __future__ import annotations

from pathlib import Path

import pytest

from burnin.host.fan_control import headers, may_write, restore, set_duty, speeds_rpm


def chip(root: Path, number: int, name: str | None, **files: object) -> Path:
    folder = root / "sys/class/hwmon" / f"hwmon{number}"
    folder.mkdir(parents=True)
    for file, text in {**({"name": name} if name else {}), **files}.items():
        (folder / file).write_text(f"{text}\n")
    return folder


@pytest.fixture
def board(tmp_path) -> Path:
    return chip(
        tmp_path, 4, "boardctl", pwm1=128, pwm1_enable=5, pwm2=90, fan1_input=900, fan2_input="x", pwm3="no"
    )


def test_headers_and_tachometers_are_found_with_what_they_hold(tmp_path, board) -> None:
    chip(tmp_path, 7, None, fan1_input=0)
    found = headers(str(tmp_path))
    assert [(each.name, each.duty, each.control) for each in found] == [
        ("boardctl/pwm1", "128", "5"),
        ("boardctl/pwm2", "90", ""),
    ]
    assert may_write(found[0])
    assert speeds_rpm(str(tmp_path)) == {"boardctl/fan1": 900.0, "hwmon7/fan1": 0.0}
    assert headers(str(tmp_path / "nowhere")) == ()


def test_a_header_is_set_by_hand_and_given_back(tmp_path, board) -> None:
    found = headers(str(tmp_path))
    assert set_duty(found[0], 60) == ""
    assert set_duty(found[1], 100) == ""
    assert (board / "pwm1").read_text() == "153"  # 60 % of 255
    assert (board / "pwm1_enable").read_text() == "1"
    assert (board / "pwm2").read_text() == "255"
    assert restore(found)
    held = {name: (board / name).read_text().strip() for name in ("pwm1", "pwm1_enable", "pwm2")}
    assert held == {"pwm1": "128", "pwm1_enable": "5", "pwm2": "90"}


def test_a_header_back_under_its_own_control_is_left_alone(tmp_path, board) -> None:
    found = headers(str(tmp_path))
    (board / "pwm1").write_text("77")  # the chip's own doing
    assert restore(found)
    assert (board / "pwm1").read_text() == "77"


def test_what_cannot_be_given_back_is_told_and_the_others_are(tmp_path, board) -> None:
    found = headers(str(tmp_path))
    set_duty(found[0], 30)
    set_duty(found[1], 30)
    (board / "pwm1_enable").unlink()
    (board / "pwm1_enable").mkdir()
    assert not restore(found)
    assert (board / "pwm2").read_text() == "90"
    assert set_duty(found[0], 30) == "a folder, not a file"
