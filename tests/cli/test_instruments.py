from __future__ import annotations

import argparse
import io
import sys
import threading
from pathlib import Path

import pytest

from burnin.cli import instruments, main, paperwork
from burnin.cli.instruments import (
    KNOWN,
    LEAK_HOLD,
    READING,
    desk_of,
    leak_hold_of,
    listen,
    parse_leak_hold,
    parse_reading,
    readings_of,
)
from burnin.engine.asides import Moment, OperatorAside
from burnin.errors import InputError
from burnin.journal.reader import read_run
from burnin.records.channels import UNITS
from burnin.records.events import InstrumentReading, LeakHold, OperatorAnswered
from burnin.records.paperwork import Order, PartOrdered
from burnin.records.plan import Plan, Stage

PLAN = Plan(format=1, name="p", title="P", stages=(Stage(name="idle", kind="idle", duration_s=4),))
ASKS = Plan(format=1, name="p", title="P", stages=PLAN.stages, ask_readings=True)
WET = Order(format=1, order="1", parts=(PartOrdered(part="cooler", text="Liquid cooler"),))
PAGE = (Path(__file__).parents[2] / "docs" / "commands.md").read_text(encoding="utf-8")


class Typed(io.StringIO):
    """A terminal on which these lines are typed."""

    def isatty(self) -> bool:
        return True


def test_the_whole_form_is_read() -> None:
    assert parse_reading("inlet=22.4:degC:thermometer 3:0.5:before the radiator:2026-01-15") == InstrumentReading(
        name="inlet", value=22.4, unit="degC", instrument="thermometer 3", uncertainty=0.5,
        place="before the radiator", calibrated="2026-01-15", moment="given",
    )  # fmt: skip


def test_fields_can_be_left_out() -> None:
    assert parse_reading("room=22") == InstrumentReading(name="room", value=22.0, unit="degC")
    assert parse_reading("room=22:degC::0.5").uncertainty == 0.5
    assert parse_reading("mains_voltage=231.5:V").unit == "V"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("room", "found no reading of that form"),
        ("=3:W", "found no reading of that form"),
        ("room=", "found no reading of that form"),
        ("Room=22:degC", "found no reading of that form"),
        ("room=22:degC:a:1:b:2026-01-01:more", "found no reading of that form"),
        ("room=22,4:degC", "found '22,4'; expected a number, with a point"),
        ("room=nan", "found 'nan'"),
        ("room=1e99", "found '1e99'"),
        ("room=72", "found 72; expected air of -20 to 60 degC"),
        ("room=22:C", "found the unit 'C'; expected one of degC"),
        ("current=3", "found the unit ''; expected one of %, A"),
        ("room=22:degC::-1", "found the uncertainty -1"),
        ("room=22:degC::x", "found 'x'"),
        ("room=22:degC::::yesterday", "found 'yesterday'; expected the date of calibration"),
    ],
)
def test_anything_else_is_one_clear_error(text, told) -> None:
    with pytest.raises(InputError) as caught:
        parse_reading(text)
    assert caught.value.message.startswith(f"--reading {text}: ")
    assert told in caught.value.message


def test_a_leak_hold_is_read() -> None:
    hold = parse_leak_hold("2026-03-01T18:00;2026-03-02T07:30;all 8 fittings;R. Nobody")
    assert hold == LeakHold(
        start="2026-03-01T18:00",
        end="2026-03-02T07:30",
        hold_min=810.0,
        dry_at="all 8 fittings",
        who="R. Nobody",
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("2026-03-01T18:00;2026-03-02T07:30;all", "found 3 of 4 fields"),
        ("2026-03-01T18:00;2026-03-02T07:30;;N", "found 3 of 4 fields"),
        ("yesterday;2026-03-02T07:30;all;N", "found 'yesterday'"),
        ("2026-03-02T18:00;2026-03-02T07:30;all;N", "found an end that is not after the begin"),
        ("2026-03-01T18:00+01:00;2026-03-02T07:30;all;N", "one time with and one without an offset"),
    ],
)
def test_a_leak_hold_that_is_none(text, told) -> None:
    with pytest.raises(InputError, match=told):
        parse_leak_hold(text)


def options(**fields) -> argparse.Namespace:
    return argparse.Namespace(**{"reading": [], "leak_hold": None, **fields})


def test_readings_are_asked_only_where_the_plan_asks_and_somebody_is_there(monkeypatch, capsys) -> None:
    given = options(reading=["room=21"])
    monkeypatch.setattr(sys, "stdin", io.StringIO("22\n"))
    assert [each.value for each in readings_of(given, ASKS)] == [21.0]
    monkeypatch.setattr(sys, "stdin", Typed("warm\n22.5::probe:0.3\n\n"))
    assert [each.value for each in readings_of(given, PLAN)] == [21.0]
    _room, inlet = readings_of(given, ASKS)
    assert (inlet.name, inlet.value, inlet.uncertainty, inlet.moment) == ("inlet", 22.5, 0.3, "start")
    assert "found 'warm'" in capsys.readouterr().out


def test_a_leak_hold_is_asked_of_a_liquid_cooled_machine_only(monkeypatch) -> None:
    lines = "2026-03-01T18:00\n2026-03-02T07:30\nall\nN\n"
    monkeypatch.setattr(sys, "stdin", Typed(lines))
    assert leak_hold_of(options(), PLAN, None) is None
    assert leak_hold_of(options(), PLAN, WET).who == "N"
    monkeypatch.setattr(sys, "stdin", Typed("\n"))
    assert leak_hold_of(options(), PLAN, WET) is None
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))
    assert leak_hold_of(options(), PLAN, WET) is None
    assert leak_hold_of(options(leak_hold="2026-03-01;2026-03-02;all;M"), PLAN, None).hold_min == 1440.0


def test_lines_typed_during_the_run_become_readings(capsys) -> None:
    desk = OperatorAside(ASKS)
    lines = iter(["room=22.9\n", "\n", "nonsense\n", ""])
    listen(desk, lambda: next(lines))
    (reading,) = desk.look(Moment(now_ns=1, stage=0, start_ns=0, end_ns=0))
    assert (reading.name, reading.value, reading.moment) == ("room", 22.9, "idle")
    assert "found no reading of that form" in capsys.readouterr().err


def test_the_desk_opens_only_where_the_plan_asks_and_says_when_it_is_time(monkeypatch, capsys) -> None:
    assert desk_of(PLAN, readline=lambda: "") == ()
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert desk_of(ASKS) == ()
    (desk,) = desk_of(ASKS, readline=lambda: "")
    for _ in range(2):
        desk.look(Moment(now_ns=50, stage=0, start_ns=10, end_ns=60))
    assert capsys.readouterr().out.count("The machine is at rest") == 1
    [each.join(10) for each in threading.enumerate() if each.name == "readings"]


def test_the_page_tells_form_names_and_units_of_the_parser() -> None:
    assert f"| `--reading {READING}` |" in PAGE
    assert f"| `--leak-hold {LEAK_HOLD}` |" in PAGE
    for parser in (main.build_parser(),):
        told = {metavar for command in _commands(parser) for metavar in _metavars(command)}
        assert {READING, LEAK_HOLD} <= told
    section = PAGE.partition("### Instrument readings")[2].partition("### ")[0]
    assert all(name in section for name in KNOWN)
    assert all(f"`{unit}`" in section for unit in set(UNITS.values()))


def _commands(parser):
    return next(a.choices.values() for a in parser._actions if isinstance(a, argparse._SubParsersAction))


def _metavars(parser):
    return [action.metavar for action in parser._actions if action.metavar]


def test_the_examples_of_the_page_are_read(short_plan) -> None:
    import re
    import shlex

    section = PAGE.partition("### Instrument readings")[2].partition("## burnin inspect")[0]
    for example in re.findall(r"```sh\n(.*?)```", section, re.DOTALL):
        words = shlex.split(example.replace("\\\n", " "))[1:]
        made = main.build_parser().parse_args(words)
        assert all(parse_reading(text) for text in made.reading)
        assert not made.leak_hold or parse_leak_hold(made.leak_hold).hold_min == 810.0


def test_answers_for_parts_that_software_cannot_read() -> None:
    order = Order(
        format=1,
        order="1",
        parts=(PartOrdered(part="power_supply", text="850 W"), PartOrdered(part="cpu", text="Eight cores")),
    )
    (answer,) = paperwork.answers_of(argparse.Namespace(answer=["power_supply=yes:label 850 W"]), None, order)
    assert (answer.line, answer.remark) == ("power_supply", "label 850 W")
    with pytest.raises(InputError, match="expected one of power_supply"):
        paperwork.answers_of(argparse.Namespace(answer=["cpu=yes"]), None, order)


def test_accept_keeps_readings_leak_hold_and_label_in_the_journal(cli, short_plan, tmp_path) -> None:
    order = tmp_path / "order.toml"
    order.write_text('format = 1\norder = "7"\n[[parts]]\npart = "cooler"\ntext = "Liquid cooler, 240 mm"\n')
    cli(
        "accept", "--plan", short_plan, "--out", tmp_path / "runs", "--yes", "--order", order,
        "--reading", "room=22.4:degC:thermometer:0.5", "--leak-hold", "2026-03-01T18:00;2026-03-02T07:30;all;N",
        "--answer", "cooler=yes:label says 240",
    )  # fmt: skip
    (folder,) = (tmp_path / "runs").iterdir()
    view = read_run(folder / "journal.jsonl")
    assert view.first(InstrumentReading).value == 22.4
    assert view.first(LeakHold).hold_min == 810.0
    assert view.first(OperatorAnswered).answer.remark == "label says 240"
    assert instruments.KNOWN["room"] == "degC"
