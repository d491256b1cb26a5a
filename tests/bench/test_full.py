"""The rest of the faults on a real kernel: panic, chip for fans and voltages, display, full disk, frozen load, power cut."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from pathlib import Path

import pytest
from build_image import Image
from emulated_chip import add_chip, set_fan
from guest import Build, Guest
from harness import Run, begin, finish, folder_of, plan, wait_loaded

pytestmark = pytest.mark.timeout(400)


def test_fans_and_voltages_are_read_and_a_standing_pump_stops_the_loads(guest: Guest) -> None:
    add_chip(guest)
    shown = guest.check("cat $(dirname $(grep -l adt7476 /sys/class/hwmon/*/name))/fan1_input").strip()
    assert shown == "1500"
    begin(guest, "pump", plan(seconds=60, more='roles = { "/fan1" = "pump" }'))
    wait_loaded(guest, "pump")
    set_fan(guest, 0)
    run = finish(guest, "pump")
    (described,) = run.of_kind("channels")
    chip = [each for each in described["channels"] if "adt7476" in each["id"]]
    assert {"fan_speed", "voltage"} <= {each["quantity"] for each in chip}
    (tripped,) = run.of_kind("safety_trip")
    assert tripped["why"] == "pump", tripped
    assert run.answer.code == 5, run.answer.text[-1500:]
    assert run.result["verdict"]["standing"] == "rejected"


def test_an_unplugged_display_is_told(guest: Guest) -> None:
    begin(guest, "display", plan(seconds=14))
    wait_loaded(guest, "display")
    guest.check("echo off > /sys/class/drm/card0-Virtual-1/status")
    run = finish(guest, "display")
    guest.check("echo detect > /sys/class/drm/card0-Virtual-1/status")
    told = [each for each in run.result["findings"] if each["criterion"] == "ports_under_load"]
    assert any("QEMU Monitor" in each["sentence"] or "Virtual-1" in each["sentence"] for each in told), told


def test_a_frozen_load_is_told_as_hung(guest: Guest) -> None:
    begin(guest, "frozen", plan(seconds=25))
    wait_loaded(guest, "frozen")
    pid = load_pid(guest, "frozen", "matrix")
    guest.check(f"kill -STOP {pid}")
    run = finish(guest, "frozen")
    ended = {each["load_id"]: each for each in run.of_kind("load_ended")}
    assert ended["2.matrix.0"]["how"] == "hung", ended
    assert "loads_survived" in {
        each["criterion"] for each in run.result["findings"] if each["outcome"] != "pass"
    }
    assert run.answer.code in {1, 3}
    print(run.result["verdict"]["line"], run.finding("loads_survived")["sentence"])


def load_pid(guest: Guest, name: str, load: str) -> int:
    journal = guest.check(f"cat /data/{name}/*/journal.jsonl")
    events = (json.loads(line)["event"] for line in journal.splitlines() if line.strip())
    return next(each["pid"] for each in events if each["kind"] == "load_started" and each["load"] == load)


def test_a_full_disk_is_told_and_the_run_goes_on(guest: Guest) -> None:
    begin(guest, "full", plan(seconds=30))
    wait_loaded(guest, "full")
    guest.run(
        "dd if=/dev/zero of=/data/filler bs=64k 2>/dev/null; dd if=/dev/zero of=/data/filler2 bs=512 2>/dev/null; sync"
    )
    assert guest.check("df --output=avail /data | tail -1").split() == ["0"]
    answer = guest.ended("full", timeout_s=120)
    guest.check("rm /data/filler /data/filler2")
    run = Run(answer=answer, folder=folder_of(guest, "full"))
    assert "Traceback" not in answer.text
    print(answer.code, answer.text[-900:])
    guest.check("burnin recover --out /data/full; burnin certify /data/full/*", timeout_s=120)
    run = Run(answer=answer, folder=folder_of(guest, "full"))
    troubles = run.of_kind("storage_trouble")
    assert troubles or run.of_kind("run_recovered"), run.events[-5:]
    assert run.result["verdict"]["standing"] != "accepted"


def test_an_uncorrected_machine_check_panics_and_is_recovered_after_the_restart(guest: Guest) -> None:
    begin(guest, "panic", plan(seconds=240))
    wait_loaded(guest, "panic")
    time.sleep(6)
    uptime_s = float(guest.check("cat /proc/uptime").split()[0])
    guest.monitor("mce 0 4 0xbe00004000010090 0x5 0x23456000 0x8c")
    guest.wait(lambda: "Kernel panic" in guest.console(), "panic", timeout_s=60)
    guest.reset()
    run = recovered(guest, "panic")
    assert uptime_s - last_sweep_s(run) < 3.0


def recovered(guest: Guest, name: str) -> Run:
    answer = guest.run(f"burnin recover --json --out /data/{name}", timeout_s=120)
    assert answer.code == 0, answer.text
    (row,) = json.loads(answer.text)["closed"]
    assert row["standing"] == "rejected", row
    run = Run(answer=answer, folder=folder_of(guest, name))
    assert {"run_complete", "loads_survived"} <= run.failed()
    return run


def last_sweep_s(run: Run) -> float:
    return max(each["t"] for each in run.of_kind("sweep")) / 1e9


class VolatileDisk:
    """A disk with a cache that forgets what was not flushed when its power goes.

    Args:
        folder: Where its file lies.
        cache: ``writeback`` obeys flushes; ``unsafe`` ignores them.
    """

    def __init__(self, folder: Path, cache: str) -> None:
        self.file = folder / "volatile.img"
        self.socket = folder / "nbd.sock"
        Guest.make_data_disk(self.file, 96)
        self._process = subprocess.Popen(
            [
                "setpriv",
                "--pdeathsig",
                "KILL",
                "nbdkit",
                "-f",
                "-U",
                str(self.socket),
                "--filter=cache",
                "file",
                str(self.file),
            ]
            + ([] if cache == "writeback" else [f"cache={cache}"]),
            stdin=subprocess.DEVNULL,
        )
        until = time.monotonic() + 10
        while not self.socket.exists() and time.monotonic() < until:
            time.sleep(0.05)

    @property
    def drive(self) -> str:
        return f"file=nbd+unix:///?socket={self.socket},format=raw,cache=writeback"

    def cut(self) -> None:
        """Take its power away."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(timeout=10)


def power_cut(image: Image, folder: Path, *, cache: str, options: str) -> tuple[float, Path]:
    """Run a soak on a volatile disk, cut all power; return the uptime at the cut and the disk's file, mended."""
    disk = VolatileDisk(folder, cache)
    machine = Guest(Build(image=image, folder=folder, data=disk.drive, data_options=options))
    try:
        machine.start()
        machine.warm()
        begin(machine, "cut", plan(seconds=240))
        wait_loaded(machine, "cut")
        time.sleep(8)
        uptime_s = float(machine.check("cat /proc/uptime").split()[0])
    finally:
        machine.stop()
        disk.cut()
    subprocess.run(["/sbin/e2fsck", "-fy", str(disk.file)], capture_output=True, timeout=60, check=False)
    return uptime_s, disk.file


def seconds_lost(file: Path, uptime_s: float, place: Path) -> float:
    """Return how long before the cut the last sweep on the disk was taken; all of it when no journal is there."""
    place.mkdir()
    subprocess.run(
        ["/sbin/debugfs", "-R", f"rdump /cut {place}", str(file)],
        capture_output=True,
        timeout=60,
        check=False,
    )
    lines = (line for journal in place.rglob("journal.jsonl") for line in journal.read_bytes().splitlines())
    whole = (json.loads(line) for line in lines if line.startswith(b"{") and line.endswith(b"}"))
    times = [each["t"] / 1e9 for each in whole if each["event"]["kind"] == "sweep"]
    return uptime_s - max(times, default=0.0)


def test_a_power_cut_loses_two_seconds_at_most_and_is_recovered(image: Image, tmp_path: Path) -> None:
    uptime_s, file = power_cut(image, tmp_path, cache="writeback", options="noatime")
    lost_s = seconds_lost(file, uptime_s, tmp_path / "dump")
    print(f"lost {lost_s:.1f} s")
    assert lost_s < 3.0
    with Guest(Build(image=image, folder=tmp_path, data=f"file={file},format=raw")) as machine:
        recovered(machine, "cut")


@pytest.mark.parametrize(("cache", "options"), [("unsafe", "noatime"), ("writeback", "noatime,nobarrier")])
def test_without_flushes_the_same_cut_loses_records(
    image: Image, tmp_path: Path, cache: str, options: str
) -> None:
    """Negative controls: were they green like the test above, that test would prove nothing."""
    uptime_s, file = power_cut(image, tmp_path, cache=cache, options=options)
    lost_s = seconds_lost(file, uptime_s, tmp_path / "dump")
    print(f"lost {lost_s:.1f} s")
    assert lost_s > 5.0
