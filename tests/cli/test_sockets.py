"""A walk round the sockets of the invented machine, with a stick that a script plugs in and out."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

import jsonschema
import pytest

from burnin.cli import sockets as command
from burnin.cli.socket_labels import labels_of, learn
from burnin.errors import InputError
from burnin.host.simulated import SimulatedHost
from burnin.host.stick import ReadBack

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "schema" / "sockets.schema.json").read_text())
DEVICES = "/sys/bus/usb/devices"
GOOD = ReadBack(right=True, rate_mb_s=100.0)


class Bench:
    """The invented machine, and an operator who does what a script says before each line typed."""

    def __init__(self, *script: tuple[str, object]) -> None:
        self.host = SimulatedHost()
        self.at = ""
        self.read = GOOD
        self.written = 0
        self.script: Iterator[tuple[str, object]] = iter(script)
        self.hubs = sorted(name for name in self.host.names(DEVICES) if name.startswith("usb"))

    def plug(self, path: str, speed: int = 5000) -> None:
        """Put the stick at a port, out of the one before."""
        if self.at:
            for name in ("idVendor", "idProduct", "speed", "bDeviceClass", "product"):
                self.host.set_file(f"{DEVICES}/{self.at}/{name}", None)
        self.at = path
        for name, text in (
            ("idVendor", "abcd"),
            ("idProduct", "1234"),
            ("speed", str(speed)),
            ("bDeviceClass", "00"),
            ("product", "Known stick"),
        ):
            if path:
                self.host.set_file(f"{DEVICES}/{path}/{name}", f"{text}\n".encode())

    def line(self) -> str:
        text, act = next(self.script, ("", None))
        if callable(act):
            act()
        return f"{text}\n" if act != "end" else ""

    def walk(self) -> command.Walk:
        return command.Walk(
            host=self.host, readline=self.line, path_of=lambda: self.at, read=lambda: self.read
        )

    def write(self) -> None:
        self.written += 1

    def go(self, *, yes: bool = True) -> dict:
        options = argparse.Namespace(stick="/media/stick", yes=yes, json=False)
        result = command.walk_round(options, self.walk(), write=self.write)
        jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(json.dumps(result)))
        return result


def free_port(bench: Bench, hub: str, skip: int = 0) -> str:
    """A port of a root hub where nothing hangs."""
    taken = set(bench.host.names(DEVICES))
    found = [f"{hub[3:]}-{n}" for n in range(1, 12) if f"{hub[3:]}-{n}" not in taken]
    return found[skip]


def test_good_slow_and_dead_sockets_are_told_apart_and_labels_are_learnt(capsys) -> None:
    bench = Bench()
    one, two = free_port(bench, bench.hubs[-1]), free_port(bench, bench.hubs[-1], 1)
    bench.plug(one)
    bench.script = iter(
        [
            ("", None), ("front left", None),
            ("", lambda: bench.plug(two, 480)), ("front right", None),
            ("", lambda: bench.plug("")), ("top", None),
            ("done", None),
        ]
    )  # fmt: skip
    result = bench.go()
    assert [(each["label"], each["outcome"]) for each in result["tried"] if not each["turned"]] == [
        ("front left", result["tried"][0]["outcome"]), ("front right", result["tried"][1]["outcome"]), ("top", "nothing"),
    ]  # fmt: skip
    assert result["tried"][0]["outcome"] == "good"
    assert result["exit_code"] == 1
    assert bench.written == 1
    assert "front left" in labels_of(result["board"]).values()
    out = capsys.readouterr().out
    assert "NOTHING APPEARED" in out
    assert "NOT TRIED" in out


def test_a_label_is_asked_once_per_board_model() -> None:
    bench = Bench()
    port = free_port(bench, bench.hubs[-1])
    bench.plug(port)
    bench.script = iter([("", None), ("rear red", None), ("done", None)])
    board = bench.go()["board"]
    again = Bench()
    again.plug(port)
    again.script = iter([("", None), ("done", None)])
    result = again.go()
    assert (result["board"], result["tried"][0]["label"]) == (board, "rear red")


def test_wrong_content_and_a_stick_that_is_not_mounted(capsys) -> None:
    bench = Bench()
    bench.plug(free_port(bench, bench.hubs[-1]))
    bench.read = ReadBack(right=False, rate_mb_s=50.0, detail="3 of 32 MiB differ from what was written")
    bench.script = iter([("", None), ("a", None), ("done", None)])
    result = bench.go()
    assert (result["tried"][0]["outcome"], result["exit_code"]) == ("wrong", 1)
    assert "WRONG CONTENT" in capsys.readouterr().out
    walk = bench.walk()
    seen = [bench.at, ""]
    walk.path_of = lambda: seen.pop(0) if len(seen) > 1 else seen[0]
    bench.script = iter([("", None), ("done", None)])
    result = command.walk_round(argparse.Namespace(stick="x", yes=True), walk, write=bench.write)
    assert (result["tried"][0]["outcome"], result["tried"][0]["detail"]) == (
        "unread",
        "the stick is not mounted at its folder",
    )


def test_a_type_c_plug_is_turned_over(monkeypatch) -> None:
    bench = Bench()
    bench.plug(free_port(bench, bench.hubs[-1]))
    from burnin.engine.socket_walk import SocketWalk

    plain = SocketWalk.wait_for_stick

    def with_c(self, *, turned=False):
        from dataclasses import replace

        return replace(plain(self, turned=turned), type_c=True)

    monkeypatch.setattr(SocketWalk, "wait_for_stick", with_c)
    bench.script = iter([("", None), ("rear C", None), ("", None), ("", None), ("no", None), ("done", None)])
    result = bench.go()
    assert [(each["label"], each["turned"]) for each in result["tried"]] == [
        ("rear C", False), ("rear C", True), ("rear C", False),
    ]  # fmt: skip


def test_writing_needs_a_yes() -> None:
    bench = Bench(("no", None))
    bench.plug(free_port(bench, bench.hubs[-1]))
    with pytest.raises(InputError, match="nothing was written"):
        bench.go(yes=False)
    assert bench.written == 0
    bench.script = iter([("yes", None), ("", "end")])
    assert bench.go(yes=False)["exit_code"] == 3
    assert bench.written == 1


def test_a_folder_on_no_usb_device_is_refused() -> None:
    with pytest.raises(InputError, match="found no USB device behind this folder"):
        Bench().go()


def test_without_a_bus_it_says_so_plainly(capsys) -> None:
    bench = Bench()
    for path in [each for each in bench.host._files if each.startswith("/sys/bus/usb")]:
        bench.host.set_file(path, None)
    bench.host._links = {
        key: value for key, value in bench.host._links.items() if not key.startswith("/sys/bus/usb")
    }
    bench.host.set_file("/sys/none", b"")
    result = bench.go()
    assert (result["exit_code"], result["tried"]) == (3, [])
    assert "the kernel shows no USB bus" in capsys.readouterr().out


def test_the_command_itself_here(cli, tmp_path) -> None:
    code, out, err = cli("sockets", "--stick", str(tmp_path), "--yes", "--json")
    if code == 2:  # this machine has a bus, and the folder is on no stick
        assert "found no USB device" in err
    else:
        assert code == json.loads(out)["exit_code"] == 3
        assert "No USB socket can be tried here" in err


def test_labels_that_cannot_be_kept_are_no_obstacle(own_home, capsys) -> None:
    (own_home / "data").write_text("a file where the folder should be")
    learn("board", "socket", "label")
    assert "could not be kept" in capsys.readouterr().out
    assert labels_of("board") == {}
