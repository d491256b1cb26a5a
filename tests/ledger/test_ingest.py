from __future__ import annotations

import invented_runs
import pytest
from msgspec.structs import replace

from burnin.ledger.ingest import board_text, machine_digest, stages_digest
from burnin.records.inventory import BoardPart, Drive, Inventory, StoragePart
from burnin.records.paperwork import Order, PartOrdered
from burnin.records.plan import CriterionUse, Plan
from burnin.testing.run_builder import RunBuilder


def test_the_row_says_what_the_journal_says():
    entry = invented_runs.entry(3)
    run = entry.run
    assert (run.run_id, run.order_no, run.customer, run.serial) == (
        "2026-000003-bench",
        "A-1003",
        "Miller & Nobody",
        "SN-00003",
    )
    assert (run.standing, run.exit_code, run.wrong_results, run.cut_off) == ("rejected", 1, 1, "")
    assert (run.cpu, run.cooler, run.housing) == ("Invented CPU 8", "Fjord loop 240", "Otter case M")
    assert run.board == "Bramble B-550, firmware F7"
    assert run.span_s == pytest.approx(120.0)
    assert [part.name for part in entry.parts if part.found] == [
        "Invented CPU 8",
        "Bramble B-550",
        "Sparrow SP-16",
        "Invented Graphics 12",
        "Saltmarsh SM-1",
    ]
    assert [part.name for part in entry.parts if not part.found] == ["Fjord loop 240", "Otter case M"]
    assert [finding.outcome for finding in entry.findings] == ["fail", "inconclusive"]


def test_figures_are_kept_as_read_and_above_the_room():
    figures = {(figure.name, figure.unit): figure for figure in invented_runs.entry(1).figures}
    read, above = figures["hwmon/cpu", "degC"], figures["hwmon/cpu", "K"]
    assert read.value - above.value == pytest.approx(22.0)
    assert above.u > read.u > 0
    assert figures["matrix", "products/s"].value == pytest.approx(5.0, abs=0.05)
    per_watt = figures["kelvin_per_package_watt", "K/W"]
    assert per_watt.value == pytest.approx(above.value / figures["hwmon/power", "W"].value)


def test_a_stage_too_short_for_a_figure_has_none():
    assert invented_runs.entry(1, sweeps=20).figures == ()


def test_a_channel_without_room_is_kept_as_read_only():
    run = RunBuilder(invented_runs.PLAN).machine(invented_runs.CHANNELS).stage(0, "all together")
    entry = invented_runs.entry(1, run.sweeps_at([(60.0, 200.0, 4500.0)] * 120).end_stage(0, "all together"))
    assert {figure.unit for figure in entry.figures} == {"degC", "W", "MHz"}


def test_words_hold_what_people_search_for():
    words = invented_runs.entry(0, note="Pump swapped").run.words.split()
    for word in ("brandt", "a", "1000", "fjord", "pump", "swapped", "sm", "00000", "sparrow", "tern"):
        assert word in words
    assert len(words) == len(set(words))


def test_an_empty_run_makes_a_row_too():
    run = RunBuilder(Plan(format=1, name="p", title="P"), run_id="bare")
    entry = invented_runs.entry(1, run)
    assert (entry.run.cpu, entry.run.board, entry.run.machine_sha256, entry.figures) == ("", "", "", ())
    assert entry.run.cut_off == "reset"


def test_machines_are_told_apart_by_serials_and_settings():
    one, same, other = (machine_digest(invented_runs.builder(n).view()) for n in (1, 1, 2))
    assert one == same != other
    view = RunBuilder(Plan(format=1, name="p", title="P")).machine().view()
    assert machine_digest(view) == ""
    order = Order(format=1, order="x", serial="S1")
    only_order = RunBuilder(Plan(format=1, name="p", title="P"), order=order).machine().view()
    assert machine_digest(only_order)
    stick = Inventory(storage=StoragePart(drives=(Drive(name="sda", serial="X", removable=True),)))
    assert (
        machine_digest(RunBuilder(Plan(format=1, name="p", title="P")).machine(inventory=stick).view()) == ""
    )


def test_stages_make_a_test_the_same_whatever_it_is_called():
    plan = invented_runs.PLAN
    renamed = replace(plan, name="x", title="Y", criteria=(CriterionUse(criterion="c"),))
    assert stages_digest(plan) == stages_digest(renamed)
    assert stages_digest(plan) != stages_digest(replace(plan, stages=()))


def test_texts_no_database_takes_are_made_safe():
    order = Order(
        format=1, order="a\x00b", customer="\ud800", parts=(PartOrdered(part="cooler", text="x\n", count=3),)
    )
    entry = invented_runs.entry(1, RunBuilder(Plan(format=1, name="p", title="P"), order=order))
    assert (entry.run.order_no, entry.run.customer, entry.run.cooler) == ("a\ufffdb", "\ufffd", "x\ufffd")
    assert len(entry.parts) == 3
    entry.run.words.encode()


def test_a_board_without_a_name_is_none():
    assert board_text(Inventory(board=BoardPart(firmware_version="1"))) == ""
    assert board_text(Inventory(board=BoardPart(product="P"))) == "P"
