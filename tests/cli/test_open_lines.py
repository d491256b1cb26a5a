from __future__ import annotations

import argparse
import io
import sys
from types import SimpleNamespace

from burnin.cli.open_lines import ask_open, open_points, somebody_is_there
from burnin.host.simulated import SimulatedHost
from burnin.plan.loader import load_checklist
from burnin.records.inventory import SystemPart
from burnin.records.paperwork import Answer, Order, PartOrdered

CHECKLIST = load_checklist("first-generation-tethered")
ORDER = Order(
    format=1,
    order="1",
    parts=(PartOrdered(part="power_supply", text="850 W"), PartOrdered(part="cpu", text="Eight cores")),
)
PROBES = {
    "system": SimpleNamespace(
        spec=SimpleNamespace(part="system"), probe=lambda host: SystemPart(machine="x86_64")
    )
}


def points(*answers: Answer):
    return open_points(SimulatedHost(), PROBES, (CHECKLIST, ORDER), answers)


def test_what_cannot_be_measured_is_open_and_what_was_answered_is_not() -> None:
    names = [name for name, _ in points()]
    assert "video" in names
    assert "power_supply" in names
    assert "cpu" not in names
    left = [
        name
        for name, _ in points(Answer(line="video", answer="yes"), Answer(line="power_supply", answer="no"))
    ]
    assert not {"video", "power_supply"} & set(left)


def test_each_point_is_asked_with_its_reason_until_it_is_answered(capsys) -> None:
    wanted = {name: (name, finding) for name, finding in points()}
    lines = iter(["perhaps\n", "yes:picture at 90 Hz\n", "\n"])
    asked = ask_open((wanted["video"], wanted["power_supply"]), lambda: next(lines))
    assert asked == (Answer(line="video", answer="yes", remark="picture at 90 Hz"),)
    out = capsys.readouterr().out
    assert "found 'perhaps' after '='" in out
    assert "power_supply:" in out


def test_the_end_of_the_input_leaves_the_rest_open() -> None:
    found = points()
    lines = iter(["no\n", ""])
    assert [each.answer for each in ask_open(found, lambda: next(lines))] == ["no"]
    assert ask_open((), lambda: "") == ()


def test_nobody_is_asked_in_scripts(monkeypatch) -> None:
    terminal = io.StringIO()
    terminal.isatty = lambda: True
    monkeypatch.setattr(sys, "stdin", terminal)
    assert somebody_is_there(argparse.Namespace(yes=False, json=False))
    assert not somebody_is_there(argparse.Namespace(yes=True, json=False))
    assert not somebody_is_there(argparse.Namespace(yes=False, json=True))
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert not somebody_is_there(argparse.Namespace(yes=False, json=False))
