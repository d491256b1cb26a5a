from __future__ import annotations

import threading
from pathlib import Path
from types import SimpleNamespace

import pytest
from conftest_engine import FakeLoad, FakeSource, Watcher, temperature

from burnin.engine.asides import (
    MOST_LINES,
    HotLookAside,
    KernelAside,
    Moment,
    OperatorAside,
    looked_again,
    stages_to_look_in,
)
from burnin.engine.conduct import Equipment, Request, conduct
from burnin.engine.inline_bench import InlineBench, Script
from burnin.errors import Unreadable
from burnin.host.simulated import SimulatedHost
from burnin.journal.reader import read_run
from burnin.records.channels import Reading
from burnin.records.events import (
    CautionsAnswered,
    InstrumentReading,
    InventoryTaken,
    KernelLine,
    LeakHold,
    Remark,
    StageEnded,
    StageStarted,
)
from burnin.records.inventory import BoardPart, Inventory, PciDevice, PciPart, UsbPart
from burnin.records.paperwork import Workshop
from burnin.records.plan import LoadUse, Plan, Stage

S = 1_000_000_000
RESET = b"3,900,1000,-;usb 2-1: reset SuperSpeed USB device number 3 using xhci_hcd\n"
PLAIN = b"6,901,1000,-;eth0: link becomes ready\n"


def soak(name: str, load: str = "spin", **fields) -> Stage:
    return Stage(**{"name": name, "duration_s": 10, "loads": (LoadUse(load=load),), **fields})


def plan(*stages: Stage) -> Plan:
    return Plan(format=1, name="p", title="P", first_look=True, stages=stages)


def at(now_s: float, *, stage: int = 0, start_s: float = 1, end_s: float = 11) -> Moment:
    return Moment(now_ns=round(now_s * S), stage=stage, start_ns=round(start_s * S), end_ns=round(end_s * S))


class Log:
    def __init__(self, *batches) -> None:
        self.batches = list(batches)
        self.closed = False

    def read(self):
        batch = self.batches.pop(0) if self.batches else ()
        if isinstance(batch, Exception):
            raise batch
        return batch

    def close(self) -> None:
        self.closed = True


def test_telling_lines_are_written_and_others_are_not() -> None:
    aside = KernelAside(SimulatedHost(), lambda host: Log((PLAIN, RESET, b"garbled")))
    (line,) = aside.look(at(1))
    assert (line.what, line.text[:8]) == ("usb", "usb 2-1:")


def test_the_log_is_not_asked_more_often_than_twice_a_second() -> None:
    aside = KernelAside(SimulatedHost(), lambda host: Log((RESET,), (RESET,)))
    assert len(aside.look(at(1.0))) == 1
    assert aside.look(at(1.3)) == ()
    assert len(aside.look(at(1.6))) == 1


def test_a_flood_is_cut_and_counted() -> None:
    aside = KernelAside(SimulatedHost(), lambda host: Log((RESET,) * 500, (), (RESET,)))
    assert len(aside.look(at(100))) == MOST_LINES
    assert aside.look(at(101)) == []
    remark, line = aside.look(at(161))
    assert remark == Remark(
        text=f"{500 - MOST_LINES} further telling lines of the kernel's log came within a minute and were not written"
    )
    assert isinstance(line, KernelLine)
    assert aside.end() == []


def test_what_was_left_out_is_told_at_the_end_too() -> None:
    log = Log((RESET,) * 25)
    aside = KernelAside(SimulatedHost(), lambda host: log)
    aside.look(at(100))
    (remark,) = aside.end()
    assert remark.text.startswith("5 further")
    assert log.closed
    assert aside.look(at(102)) == ()


def test_a_log_that_cannot_be_read_is_left_alone() -> None:
    log = Log(Unreadable("/dev/kmsg", "gone"))
    aside = KernelAside(SimulatedHost(), lambda host: log)
    assert aside.look(at(1)) == []
    assert log.closed
    host = SimulatedHost()
    host.set_file("/dev/kmsg", None)
    closed = KernelAside(host)
    assert closed.look(at(1)) == ()
    assert closed.end() == []


RESOURCES = {"spin": "cpu", "draw": "graphics", "blocks": "storage"}


@pytest.mark.parametrize(
    ("stages", "expected"),
    [
        ((soak("a"), soak("b", kind="combined"), soak("c", kind="combined")), (1,)),
        ((Stage(name="idle", kind="idle", duration_s=1), soak("a"), soak("b")), (1,)),
        ((soak("a", "draw"), soak("b", kind="combined"), soak("c", "blocks")), (0, 1, 2)),
        ((soak("a", "draw"), soak("b", "draw", kind="combined")), (1,)),
        ((Stage(name="idle", kind="idle", duration_s=1),), ()),
    ],
)
def test_in_which_stages_the_machine_is_looked_at_again(stages, expected) -> None:
    assert stages_to_look_in(plan(*stages), RESOURCES) == expected


def test_the_look_is_taken_once_in_the_middle_of_the_stage() -> None:
    aside = HotLookAside(plan(soak("a")), RESOURCES, Inventory, in_thread=False)
    assert aside.look(at(5.9)) == []
    assert aside.look(Moment(now_ns=9 * S, stage=0, start_ns=0, end_ns=0)) == []
    assert aside.look(at(6)) == [InventoryTaken(inventory=Inventory())]
    assert aside.look(at(7)) == []
    assert aside.end() == ()


def test_a_driver_that_blocks_holds_up_nothing() -> None:
    free, done = threading.Event(), threading.Event()

    def take() -> Inventory:
        free.wait(10)
        done.set()
        return Inventory()

    aside = HotLookAside(plan(soak("a")), RESOURCES, take, in_thread=True)
    assert aside.look(at(6)) == []
    assert aside.look(at(7)) == []
    free.set()
    assert done.wait(10)
    (thread,) = [each for each in threading.enumerate() if each.name == "hot-look"] or [None]
    if thread:
        thread.join(10)
    assert len(aside.look(at(8))) == 1


def test_the_second_look_keeps_what_load_cannot_change() -> None:
    first = Inventory(board=BoardPart(maker="M"), usb=UsbPart(present=True), pci=PciPart(present=True))
    card = PciDevice(address="1", vendor_id="1", device_id="2", class_id="030000")
    again = looked_again(first, Inventory(pci=PciPart(present=True, devices=(card,))))
    assert again.board.maker == "M"
    assert again.usb.present
    assert again.pci.devices == (card,)


@pytest.mark.parametrize(
    ("kind", "word"),
    [("idle", "idle"), ("soak", "hot"), ("combined", "hot"), ("cool_down", "cool_down"), ("dwell", "idle")],
)
def test_a_reading_given_meanwhile_gets_its_moment(kind, word) -> None:
    stage = soak("a", kind=kind) if kind in {"soak", "combined"} else Stage(name="a", kind=kind, duration_s=9)
    aside = OperatorAside(plan(stage))
    reading = InstrumentReading(name="room", value=21.0, unit="degC")
    aside.give(reading)
    (taken,) = aside.look(at(3))
    assert (taken.value, taken.moment) == (21.0, word)
    assert aside.look(at(4)) == []
    aside.give(reading)
    assert [each.moment for each in aside.end()] == [word]
    aside.give(reading)
    assert aside.look(at(3, stage=-1))[0].moment == "idle"


class PciProbe:
    spec = SimpleNamespace(part="pci")

    def __init__(self) -> None:
        self.asked = 0

    def probe(self, host) -> PciPart:
        self.asked += 1
        card = PciDevice(
            address="1",
            vendor_id="1",
            device_id="2",
            class_id="030000",
            speed_gts=2.5 if self.asked == 1 else 16.0,
        )
        return PciPart(present=True, devices=(card,))


class BoardProbe:
    spec = SimpleNamespace(part="board")
    asked = 0

    def probe(self, host) -> BoardPart:
        self.asked += 1
        return BoardPart(maker="M")


def test_a_whole_run_keeps_the_kernels_lines_the_second_look_the_readings_and_the_leak_hold(
    tmp_path: Path,
) -> None:
    host = SimulatedHost()
    host.set_file("/dev/kmsg", PLAIN)
    loads, sources = {"spin": FakeLoad()}, {"fake": FakeSource((temperature(),))}
    board = BoardProbe()
    bench = InlineBench(
        host, loads, sources, Script(on_load=lambda cpu, memory: host.set_file("/dev/kmsg", PLAIN + RESET))
    )
    equipment = Equipment(
        host=host, probes={"pci": PciProbe(), "board": board}, sources=sources, loads=loads, plugins=(),
        make_bench=lambda inventory, folder: bench,
    )  # fmt: skip
    made = plan(
        Stage(name="idle", kind="idle", duration_s=2),
        soak("hot"),
        Stage(name="cool", kind="cool_down", duration_s=3),
    )
    desk = OperatorAside(made)
    desk.give(InstrumentReading(name="room", value=21.0, unit="degC"))
    hold = LeakHold(start="a", end="b", hold_min=60, dry_at="all", who="N")
    request = Request(
        plan=made, plan_sha256="0", out=tmp_path, workshop=Workshop(), cautions=CautionsAnswered(how="option"),
        leak_hold=hold, asides=(desk,),
    )  # fmt: skip
    view = read_run(conduct(request, equipment, Watcher()).folder)
    (line,) = [event for _, event in view.of(KernelLine)]
    assert "reset SuperSpeed" in line.text
    _, (entry, second) = view.of(InventoryTaken)
    assert second.inventory.pci.devices[0].speed_gts == 16.0
    assert (second.inventory.board.maker, board.asked) == ("M", 1)
    begun = next(one.t_ns for one, event in view.of(StageStarted) if event.name == "hot")
    ended = next(one.t_ns for one, event in view.of(StageEnded) if event.name == "hot")
    assert begun + 4 * S < entry.t_ns < ended
    assert view.first(LeakHold) == hold
    assert view.first(InstrumentReading).moment == "idle"


def test_a_stage_that_ends_when_steady_does_so_on_the_invented_machine(tmp_path: Path) -> None:
    host = SimulatedHost()
    die = FakeSource((temperature(),))

    def opened(host, channels):
        def read():
            host._advance()
            return (Reading(value=host.plant.package_c),)

        return SimpleNamespace(read=read, close=lambda: None)

    die.open = opened
    loads, sources = {"spin": FakeLoad()}, {"fake": die}
    bench = InlineBench(
        host, loads, sources, Script(on_load=lambda cpu, memory: host.set_load(cpu, memory, 0.0))
    )
    equipment = Equipment(
        host=host,
        probes={},
        sources=sources,
        loads=loads,
        plugins=(),
        make_bench=lambda inventory, folder: bench,
    )
    stage = Stage(
        name="hot", until="steady", at_least_s=900, at_most_s=5400, loads=(LoadUse(load="spin", cores=(0,)),)
    )
    request = Request(
        plan=Plan(format=1, name="p", title="P", first_look=True, sample_hz=0.2, stages=(stage,)),
        plan_sha256="0", out=tmp_path, workshop=Workshop(), cautions=CautionsAnswered(how="option"),
    )  # fmt: skip
    view = read_run(conduct(request, equipment, Watcher()).folder)
    (span,) = view.stage_spans()
    assert span.reason == "steady"
    # the loop's time constant is 260 s (0.040 K/W x 6500 J/K): the rule of ten minutes holds within half an hour
    assert 900 <= span.span_s < 2700
