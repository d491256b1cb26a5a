"""Obituary, clocks, sweeps, steadiness, manifest: the small pure parts."""

from __future__ import annotations

import signal
from types import SimpleNamespace

import pytest
from conftest_engine import swept, temperature

from burnin.engine.child import LOST_SUPERVISOR
from burnin.engine.clockwork import ClockWatch
from burnin.engine.manifest import software
from burnin.engine.messages import Leaving
from burnin.engine.obituary import Deaths, how_it_ended
from burnin.engine.steadiness import Steadiness
from burnin.engine.sweeps import SweepKeeper
from burnin.errors import Unreadable
from burnin.records.channels import IMPLAUSIBLE, OK, Channel
from burnin.records.events import ChannelState, SamplingTrouble, Sweep

S = 1_000_000_000


class Files:
    def __init__(self, **files) -> None:
        self.files = files

    def read(self, path: str) -> bytes:
        key = path.strip("/").replace("/", "_")
        if key not in self.files:
            raise Unreadable(path, "not there")
        return self.files[key]


def ended(**fields):
    base = {"code": 0, "leaving": None, "hung": "", "killed_by_us": False, "circumstances": (False, "", 99)}
    return how_it_ended("l", **{**base, **fields})


@pytest.mark.parametrize(
    ("fields", "how", "code"),
    [
        ({"hung": "no heartbeat", "code": -9, "killed_by_us": True}, "hung", None),
        ({"leaving": Leaving(how="stopped", last_ns=5)}, "stopped", None),
        ({"leaving": Leaving(how="exception", last_ns=5, detail="x")}, "exception", None),
        ({"leaving": Leaving(how="not_started", last_ns=5, detail="x")}, "not_started", None),
        ({"leaving": Leaving(how="lost_supervisor", last_ns=5)}, "lost_supervisor", None),
        ({"code": -9, "killed_by_us": True}, "killed", 9),
        ({"code": -9, "circumstances": (True, "", 99)}, "out_of_memory", 9),
        ({"code": -9}, "signal", 9),
        ({"code": -11}, "signal", 11),
        ({"code": -250}, "signal", 250),
        ({"code": LOST_SUPERVISOR}, "lost_supervisor", None),
        ({"code": 3, "circumstances": (False, "sorry", 99)}, "exit_code", 3),
    ],
)
def test_every_death_is_told_apart(fields, how, code) -> None:
    gone = ended(**fields)
    assert (gone.how, gone.code) == (how, code)


def test_details_of_deaths() -> None:
    assert ended(code=-signal.SIGSEGV).detail == "SIGSEGV"
    assert ended(code=-250).detail == "signal 250"
    assert ended(code=3, circumstances=(False, "sorry", 99)).detail == "sorry"
    assert ended(leaving=Leaving(how="stopped", last_ns=5)).last_ns == 5
    assert ended(code=-9).last_ns == 99


def test_the_kernel_tells_who_was_killed_for_memory_and_who_is_frozen() -> None:
    files = Files(proc_vmstat=b"pgfault 5\noom_kill 2\n", proc_7_stat=b"7 (a) b) T 1 2")
    deaths = Deaths(files)
    assert not deaths.killed_for_memory()
    files.files["proc_vmstat"] = b"oom_kill 3\n"
    assert deaths.killed_for_memory()
    deaths.look()
    assert not deaths.killed_for_memory()
    assert "frozen" in deaths.state_of(7)
    assert deaths.frozen(7)
    for letter, word in (
        (b"R", "running"),
        (b"D", "device"),
        (b"t", "debugger"),
        (b"?", "no heartbeat"),
        (b"", "no heart"),
    ):
        files.files["proc_7_stat"] = b"7 (a) " + letter
        assert word in deaths.state_of(7)
    assert deaths.frozen(7) == ""
    assert deaths.state_of(8) == "no heartbeat"
    assert not Deaths(Files()).killed_for_memory()
    assert not Deaths(Files(proc_vmstat=b"nothing here\n")).killed_for_memory()


def test_the_clocks_tell_a_step_and_a_sleep_apart() -> None:
    now = SimpleNamespace(mono=0, boot=0, wall=1000 * S)
    clock = SimpleNamespace(mono_ns=lambda: now.mono, boot_ns=lambda: now.boot, wall_ns=lambda: now.wall)
    watch = ClockWatch(clock)
    now.mono = now.boot = 5 * S
    now.wall += 5 * S
    assert watch.look() == []
    now.boot += 60 * S
    now.wall += 60 * S
    (slept,) = watch.look()
    assert (slept.what, slept.by_s) == ("suspend", 60.0)
    now.wall -= 3600 * S
    (stepped,) = watch.look()
    assert (stepped.what, stepped.by_s) == ("wall", -3600.0)
    assert watch.look() == []


CHANNELS = (temperature(), Channel(id="f", source="s", quantity="frequency", label="f"))


def test_a_sweep_keeps_missing_and_implausible_apart() -> None:
    keeper = SweepKeeper(CHANNELS, 1.0)
    (first,) = keeper.take(swept(S, 40.12345, 4800.7), ())
    assert first == Sweep(v=(40.123, 4801), bad=(), w=())
    assert keeper.last_good == (40.123, 4801)
    *states, second = keeper.take(
        swept(2 * S, None, 1.0, quality=[1, IMPLAUSIBLE], changes={0: "gone", 1: "odd"}), ()
    )
    assert states == [
        ChannelState(channel="fake/cpu", quality="missing", reason="gone"),
        ChannelState(channel="f", quality="implausible", reason="odd"),
    ]
    assert second == Sweep(v=(None, 1), bad=(1,), w=())
    assert keeper.last_good == (None, None)


def test_gaps_and_overruns_are_told_once() -> None:
    keeper = SweepKeeper(CHANNELS, 1.0)
    assert keeper.overdue(100 * S) == []
    keeper.take(swept(S, 1.0, 1.0), ())
    assert keeper.overdue(6 * S) == []
    (late,) = keeper.overdue(8 * S)
    assert late.detail == "still silent"
    assert keeper.overdue(9 * S) == []
    message = swept(10 * S, 1.0, 1.0)
    slow = type(message)(**{**{f: getattr(message, f) for f in message.__struct_fields__}, "took_ns": 2 * S})
    gap, overrun, _ = keeper.take(slow, ())
    assert gap == SamplingTrouble(what="gap", span_s=9.0)
    assert overrun == SamplingTrouble(what="overrun", span_s=2.0)


def test_steadiness_follows_the_hottest_cpu_reading() -> None:
    watch = Steadiness(CHANNELS)
    watch.begin(0)
    watch.take(swept(-1, 99.0, 0.0))
    for second in range(700):
        watch.take(swept(second * S, 60.0, 0.0))
        watch.take(swept(second * S, None, 0.0, quality=[1, OK]))
    assert not watch.reached(700 * S, at_least_s=800)
    assert watch.reached(700 * S, at_least_s=60)
    assert not watch.reached(701 * S, at_least_s=60)
    watch.begin(700 * S)
    assert not watch.reached(800 * S, at_least_s=0)


def test_without_a_temperature_nothing_is_ever_steady() -> None:
    watch = Steadiness(CHANNELS[1:])
    watch.begin(0)
    watch.take(swept(S, 1.0))
    assert not watch.reached(900 * S, at_least_s=0)


def test_the_manifest_names_versions_and_rules(monkeypatch) -> None:
    import importlib.metadata

    plugin = SimpleNamespace(spec=SimpleNamespace(version=3))
    found = [
        SimpleNamespace(room="criteria", name="a", plugin=plugin, usable=True, distribution="d", version="1"),
        SimpleNamespace(room="loads", name="b", plugin=None, usable=False, distribution="d", version="1"),
    ]
    assert software(found).plugins == {"criteria/a": "d 1, rule 3"}

    def absent(name):
        raise importlib.metadata.PackageNotFoundError(name)

    monkeypatch.setattr(importlib.metadata, "version", absent)
    assert software([]).libraries["numpy"] == "unknown"
