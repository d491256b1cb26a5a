"""Headers on a folder of files, with fans that follow them; also when the process that steps them is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import ClassVar

import pytest

from burnin.calc.fan_follow import follower
from burnin.engine import fan_guard, fan_survey
from burnin.engine.child import environment
from burnin.engine.fan_survey import Doors, survey_fans
from burnin.host.fan_control import headers
from burnin.host.simulated import SimulatedClock

ORIGINAL = {"pwm1": "128", "pwm1_enable": "5", "pwm2": "90", "pwm2_enable": "1"}


class Fans(SimulatedClock):
    """A clock at each of whose looks the fans follow the headers."""

    def __init__(self, root: Path, *, stalls_below: int = 0) -> None:
        super().__init__()
        self.chip = root / "sys/class/hwmon/hwmon4"
        self.chip.mkdir(parents=True)
        self.stalls_below = stalls_below
        self.turning = True
        for name, text in {"name": "boardctl", **ORIGINAL, "fan1_input": "0", "fan2_input": "1500"}.items():
            (self.chip / name).write_text(f"{text}\n")

    def sleep_until(self, mono_ns: int) -> None:
        super().sleep_until(mono_ns)
        duty = int((self.chip / "pwm1").read_text())
        # a stalled fan needs a higher duty to start again than to go on turning
        needed = self.stalls_below if self.turning else self.stalls_below + 25
        self.turning = duty >= needed
        (self.chip / "fan1_input").write_text(str(round(duty * 8) if self.turning else 0))

    def held(self) -> dict[str, str]:
        return {name: (self.chip / name).read_text().strip() for name in ORIGINAL}


class NoGuard:
    """A guard that counts, in place of the process."""

    made: ClassVar[list[NoGuard]] = []

    def __init__(self, found, *, armed=True) -> None:
        self.found, self.armed, self.released = found, armed, 0
        NoGuard.made.append(self)

    def release(self) -> bool:
        self.released += 1
        return False


def doors(root: Path, clock, **fields) -> Doors:
    return Doors(**{"clock": clock, "root": str(root), "hottest_c": lambda: 35.0, **fields})


def test_each_header_is_stepped_and_the_tachometer_that_follows_is_found(tmp_path) -> None:
    fans, said = Fans(tmp_path), []
    survey = survey_fans(doors(tmp_path, fans, say=said.append), NoGuard)
    first, second = survey.headers
    assert [point.duty_pct for point in first.points] == [100, 60, 30]
    found = follower(first)
    assert (found.tachometer, found.stall_pct) == ("boardctl/fan1", None)
    assert found.speeds == {100: 2040, 60: 1224, 30: 608}  # 8 rpm for each of 255, 153 and 76 steps
    assert follower(second) is None
    assert survey.restored
    assert fans.held() == ORIGINAL
    assert NoGuard.made[-1].released == 1
    assert said[:2] == ["boardctl/pwm1: 100 %", "boardctl/pwm1: 60 %"]


def test_a_fan_that_stalls_is_brought_back_and_the_duty_is_told(tmp_path) -> None:
    fans = Fans(tmp_path, stalls_below=100)  # stands still below 39 %, starts again from 49 %
    found = follower(survey_fans(doors(tmp_path, fans), NoGuard).headers[0])
    assert (found.stall_pct, found.restart_pct) == (40, 50)
    assert fans.held() == ORIGINAL


def test_heat_ends_the_survey_and_restores(tmp_path) -> None:
    fans = Fans(tmp_path)
    survey = survey_fans(doors(tmp_path, fans, hottest_c=iter([30.0, 40.0, 80.0]).__next__), NoGuard)
    (only,) = survey.headers
    assert only.trouble == "stopped at 75 degC"
    assert fans.held() == ORIGINAL


def test_an_error_of_ours_restores_too(tmp_path) -> None:
    fans = Fans(tmp_path)

    def broken(text: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        survey_fans(doors(tmp_path, fans, say=broken), NoGuard)
    assert fans.held() == ORIGINAL
    assert NoGuard.made[-1].released == 1


def test_a_header_that_refuses_is_told(tmp_path) -> None:
    fans = Fans(tmp_path)
    taken = []

    def refuse(header, duty):
        taken.append(duty)
        return "the driver refused the read" if len(taken) in {1, 8} else ""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fan_survey, "set_duty", refuse)
        (fans.chip / "fan2_input").write_text("0")
        survey = survey_fans(doors(tmp_path, fans), NoGuard)
    assert survey.headers[0].trouble == "the driver refused the read"
    assert survey.headers[0].points == ()


def test_one_that_refuses_on_the_way_up_is_told(tmp_path) -> None:
    fans, plain, taken = Fans(tmp_path, stalls_below=100), fan_survey.set_duty, []

    def refuse(header, duty):
        taken.append(duty)
        return "device gone" if len(taken) == 4 else plain(header, duty)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fan_survey, "set_duty", refuse)
        first = survey_fans(doors(tmp_path, fans), NoGuard).headers[0]
    assert (first.trouble, len(first.points)) == ("device gone", 3)


def test_a_fan_that_never_starts_again_is_tried_up_to_full_duty(tmp_path) -> None:
    fans = Fans(tmp_path, stalls_below=240)
    fans.turning = True
    found = follower(survey_fans(doors(tmp_path, fans), NoGuard).headers[0])
    assert (found.stall_pct, found.restart_pct) == (100, None)


@pytest.mark.parametrize(
    ("prepare", "fields", "reason"),
    [
        (lambda fans: [each.unlink() for each in fans.chip.glob("pwm*")], {}, "shows no fan header"),
        (lambda fans: None, {"hottest_c": lambda: None}, "no temperature sensor"),
    ],
)
def test_why_nothing_is_stepped(tmp_path, prepare, fields, reason) -> None:
    fans = Fans(tmp_path)
    prepare(fans)
    survey = survey_fans(doors(tmp_path, fans, **fields), NoGuard)
    assert reason in survey.reason
    assert survey.headers == ()


def test_no_step_without_rights_or_guard(tmp_path, monkeypatch) -> None:
    fans = Fans(tmp_path)
    survey = survey_fans(doors(tmp_path, fans), lambda found: NoGuard(found, armed=False))
    assert "did not start" in survey.reason
    monkeypatch.setattr(fan_survey, "may_write", lambda header: False)
    assert "rights" in survey_fans(doors(tmp_path, fans), NoGuard).reason
    assert fans.held() == ORIGINAL


def test_the_guards_own_code_restores_at_the_word_and_at_the_end_of_the_pipe(tmp_path, monkeypatch) -> None:
    from burnin.records.codec import to_json

    monkeypatch.setattr(signal, "signal", lambda *arguments: None)
    fans = Fans(tmp_path)
    found = headers(str(tmp_path))
    for word in (b"done\n", b""):
        (fans.chip / "pwm1").write_text("10")
        (fans.chip / "pwm1_enable").write_text("1")
        to_guard, ours = os.pipe()
        answer, from_guard = os.pipe()
        os.write(ours, to_json(found) + b"\n" + word)
        os.close(ours)
        fan_guard.main(to_guard, from_guard)
        assert os.read(answer, 100) == b"armed\nwhole\n"
        assert fans.held() == ORIGINAL
        os.close(answer)
        os.close(from_guard)
    to_guard, ours = os.pipe()
    os.close(ours)
    fan_guard.main(to_guard, 1 << 20)  # told nothing: nothing to do
    to_guard, ours = os.pipe()
    os.write(ours, to_json(found) + b"\n")
    os.close(ours)
    fan_guard.main(to_guard, 1 << 20)  # nobody to answer to: restored all the same
    assert fans.held() == ORIGINAL


KILLED = """
import signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)  # a test in the background of a shell inherits it ignored
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from burnin.engine.fan_survey import Doors, survey_fans
from burnin.host.clock import RealClock
survey_fans(Doors(clock=RealClock(), hottest_c=lambda: 35.0, root=sys.argv[1], say=lambda text: print(text, flush=True)))
"""


@pytest.mark.processes
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_headers_are_restored_when_the_survey_is_killed(tmp_path, number) -> None:
    fans = Fans(tmp_path)
    home = str(Path(fan_survey.__file__).parents[2])
    victim = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path), home],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment(os.environ),
        start_new_session=True,
    )
    assert victim.stdout.readline().strip() == "boardctl/pwm1: 100 %"
    deadline = time.monotonic() + 10
    while fans.held()["pwm1"] != "255":
        assert time.monotonic() < deadline
    assert fans.held()["pwm1_enable"] == "1"
    victim.send_signal(number)
    victim.wait(10)
    victim.stdout.close()
    deadline = time.monotonic() + 10
    while fans.held() != ORIGINAL:
        assert time.monotonic() < deadline, fans.held()


@pytest.mark.processes
def test_a_guard_that_lives_through_it_answers(tmp_path) -> None:
    fans = Fans(tmp_path)
    guard = fan_guard.FanGuard(headers(str(tmp_path)))
    assert guard.armed
    (fans.chip / "pwm1").write_text("10")
    (fans.chip / "pwm1_enable").write_text("1")
    assert guard.release()
    assert fans.held() == ORIGINAL


@pytest.mark.processes
def test_a_guard_that_was_killed_is_noticed(tmp_path) -> None:
    Fans(tmp_path)
    guard = fan_guard.FanGuard(headers(str(tmp_path)))
    guard._child.kill()
    guard._child.process.wait()
    assert not guard.release()
