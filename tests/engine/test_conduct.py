from __future__ import annotations

import os
from pathlib import Path

import pytest
from conftest_engine import FakeLoad, FakeSource, Watcher, temperature

from burnin.engine.conduct import Equipment, Request, anchor, cannot_judge, conduct, make_folder, new_run_id
from burnin.engine.inline_bench import InlineBench, Script
from burnin.errors import InputError
from burnin.host.simulated import SimulatedHost
from burnin.journal.reader import read_run
from burnin.plugin.discovery import Found
from burnin.records.events import CautionsAnswered, InstrumentReading, OperatorAnswered, Preflight
from burnin.records.paperwork import Answer, Order, Workshop
from burnin.records.plan import LoadUse, Plan, Stage

PLAN = Plan(
    format=1,
    name="p",
    title="P",
    first_look=True,
    stages=(
        Stage(name="idle", kind="idle", duration_s=2),
        Stage(name="soak", duration_s=5, loads=(LoadUse(load="spin"),)),
    ),
)


def request(tmp_path: Path, **fields) -> Request:
    base = {
        "plan": PLAN,
        "plan_sha256": "0",
        "out": tmp_path / "runs",
        "workshop": Workshop(),
        "cautions": CautionsAnswered(how="option"),
    }
    return Request(**{**base, **fields})


def equipment(host, *, plugins=()) -> Equipment:
    loads, sources = {"spin": FakeLoad()}, {"fake": FakeSource((temperature(),))}

    def make_bench(inventory, folder):
        assert folder.is_dir()
        return InlineBench(host, loads, sources, Script())

    return Equipment(
        host=host, probes={}, sources=sources, loads=loads, plugins=plugins, make_bench=make_bench
    )


def test_a_run_from_opening_to_closing_line_is_one_journal(tmp_path) -> None:
    host, watcher = SimulatedHost(), Watcher()
    host.set_file("/proc/sys/kernel/random/boot_id", b"abc\n")
    answers = (Answer(line="a", answer="yes"),)
    readings = (InstrumentReading(name="room", value=21.0, unit="degC"),)
    broken = Found(room="loads", name="bent", plugin=None, broken="it is bent")
    made = conduct(
        request(tmp_path, answers=answers, readings=readings), equipment(host, plugins=(broken,)), watcher
    )
    assert made.reason == "complete"
    assert made.whole
    view = read_run(made.folder / "journal.jsonl")
    assert view.opened.run_id == made.folder.name
    assert view.opened.rehearsal
    assert view.opened.anchor.boot_id == "abc"
    assert view.closed.reason == "complete"
    assert len(view.t_ns) >= 6
    assert view.first(OperatorAnswered).answer == answers[0]
    assert view.first(InstrumentReading) == readings[0]
    assert view.first(Preflight).broken_plugins == {"loads/bent": "it is bent"}
    assert sorted(path.name for path in made.folder.iterdir()) == ["journal.jsonl"]


def test_the_plans_seed_is_kept(tmp_path) -> None:
    import msgspec

    plan = msgspec.structs.replace(PLAN, seed=255)
    host = SimulatedHost()
    made = conduct(request(tmp_path, plan=plan), equipment(host), Watcher())
    assert read_run(made.folder).opened.seed == "ff"


def test_run_ids_sort_by_local_time_and_differ() -> None:
    clock = SimulatedHost().clock
    first, second = new_run_id(clock), new_run_id(clock)
    assert first[:15] == "20260302-060000"
    assert first != second


def test_what_cannot_be_judged_is_known_before_minute_zero(tmp_path) -> None:
    from burnin.engine.prepare import survey
    from burnin.records.inventory import Inventory, UsbPart

    found = survey(SimulatedHost(), {}, PLAN)
    inventory = Inventory(usb=UsbPart(unknown={"present": "no bus"}))
    told = {absence.what: absence.reason for absence in cannot_judge(request(tmp_path), found, inventory)}
    assert told["USB ports"] == "no bus"
    assert told["video outputs"] == "the kernel shows none"
    assert "too short" in told["acceptance"]
    known = cannot_judge(
        request(tmp_path, order=Order(format=1, order="A"), plan=Plan(format=1, name="p", title="P")),
        found,
        Inventory(usb=UsbPart(present=True)),
    )
    assert {absence.what for absence in known} == {"video outputs"}


def test_a_folder_that_cannot_be_made_is_one_clear_error(tmp_path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(InputError, match="--out .*file: ") as caught:
        make_folder(blocked, "r")
    assert caught.value.slug == "out-unwritable"


def test_a_system_without_boot_id_has_an_anchor() -> None:
    host = SimulatedHost()
    host.set_file("/proc/sys/kernel/random/boot_id", None)
    assert anchor(host).boot_id == ""
    assert anchor(host).mono_ns > 0
    assert os.sep not in anchor(host).boot_id
