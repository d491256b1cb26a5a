from __future__ import annotations

from types import SimpleNamespace

import pytest

from burnin.cli.order_sheet import order_text
from burnin.cli.recover import evidence
from burnin.errors import Unreadable
from burnin.host.protocol import CommandResult
from burnin.host.simulated import SimulatedHost
from burnin.plan.loader import load_order
from burnin.records.inventory import (
    BoardPart,
    CpuPart,
    Drive,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryModule,
    MemoryPart,
    StoragePart,
)


class Machine(SimulatedHost):
    def __init__(self, answers: dict[int, CommandResult | None]) -> None:
        super().__init__()
        self.answers = answers

    def run(self, command, *, timeout_s):
        answer = self.answers.get("-k" in command)
        if answer is None:
            raise Unreadable(command[0], "not installed")
        return answer


def said(text: str, code: int = 0) -> CommandResult:
    return CommandResult(code=code, out=text.encode(), err=b"")


def test_a_machine_that_keeps_no_log_gives_no_cause() -> None:
    found = evidence(Machine({}))
    assert (found.causes, found.orderly) == ((), None)
    assert found.anchor.mono_ns > 0


@pytest.mark.parametrize(
    ("text", "orderly"),
    [("Reached target Power-Off.\nshutdown", True), ("kernel: nothing special", False), ("", None)],
)
def test_the_previous_boots_log_tells_whether_it_was_orderly(text, orderly) -> None:
    assert evidence(Machine({False: said(text)})).orderly is orderly


def test_causes_come_from_crash_store_and_kernel_log() -> None:
    machine = Machine(
        {True: said("eth0 up\nmce: [Hardware Error]: Machine check: 0 Bank 4\n"), False: said("x", code=1)}
    )
    machine.set_file("/sys/fs/pstore/dmesg-1", b"Kernel panic - not syncing: Fatal\nother\n")
    machine.set_file("/proc/uptime", b"12.5 3.0\n")
    found = evidence(machine)
    assert found.causes == (
        "dmesg-1: Kernel panic - not syncing: Fatal",
        "mce: [Hardware Error]: Machine check: 0 Bank 4",
    )
    assert found.uptime_s == 12.5
    assert found.orderly is None


def test_an_unreadable_crash_record_and_uptime_are_no_obstacle(monkeypatch) -> None:
    machine = Machine({True: said("", code=1)})
    machine.set_file("/proc/uptime", b"soon\n")
    monkeypatch.setattr(Machine, "names", lambda self, path: ("gone",) if "pstore" in path else ())
    found = evidence(machine)
    assert (found.causes, found.uptime_s) == ((), 0.0)


def test_a_sheet_made_from_a_machine_is_an_order_again(tmp_path) -> None:
    module = MemoryModule(slot="A", size_bytes=16 << 30, part_number='Odd "number"\\1', configured_mts=6000)
    inventory = Inventory(
        cpu=CpuPart(model="Brambleweft Eight"),
        board=BoardPart(product="TX-80", system_serial="S\t1", system_product="Heron"),
        memory=MemoryPart(modules=(module, module, MemoryModule(slot="B", size_bytes=0))),
        graphics=GraphicsPart(cards=(GraphicsCard(name="Lark 9"), GraphicsCard(name="soft", software=True))),
        storage=StoragePart(drives=(Drive(name="nvme0n1", model="Salt 1"), Drive(name="x"))),
    )
    sheet = tmp_path / "o.toml"
    sheet.write_text(order_text(inventory))
    order = load_order(str(sheet))
    assert [(part.part, part.match, part.count) for part in order.parts] == [
        ("cpu", "Brambleweft Eight", 1),
        ("board", "TX-80", 1),
        ("memory", 'Odd "number"\\1', 2),
        ("graphics", "Lark 9", 1),
        ("storage", "Salt 1", 1),
    ]
    assert order.parts[2].size_gb == 16
    assert order.targets.memory_speed_mts == 6000
    assert (order.serial, order.machine) == ("S\t1", "Heron")
    assert load_order(_bare(tmp_path)).parts == ()


def _bare(tmp_path) -> str:
    sheet = tmp_path / "bare.toml"
    sheet.write_text(order_text(Inventory()))
    return str(sheet)


def test_the_entry_point_leaves_with_the_commands_code(monkeypatch) -> None:
    from burnin import __main__ as entry

    codes: list[int] = []
    monkeypatch.setattr(entry, "main", len)
    monkeypatch.setattr(entry, "sys", SimpleNamespace(argv=["burnin", "a", "b"], exit=codes.append))
    entry.run()
    assert codes == [2]
