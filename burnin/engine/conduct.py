"""One run from the opening line to the closing one: the whole of it ends up in the journal, nothing else is kept."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from burnin.engine.asides import HOT_PARTS, Aside, HotLookAside, KernelAside, looked_again
from burnin.engine.assignment import Assignment
from burnin.engine.manifest import software
from burnin.engine.news import Bench
from burnin.engine.observer import Observer
from burnin.engine.prepare import Places, Survey, memory_available_bytes, survey, take_inventory
from burnin.engine.recorder import Recorder
from burnin.engine.supervisor import Supervisor
from burnin.errors import InputError
from burnin.host.protocol import Clock, Host
from burnin.journal.writer import JournalWriter
from burnin.plugin.contracts import Load, Probe, Source
from burnin.plugin.discovery import Found
from burnin.records.channels import Absence
from burnin.records.events import (
    Anchor,
    AnyEvent,
    CautionsAnswered,
    EarlierRun,
    FanSurvey,
    InstrumentReading,
    InventoryTaken,
    LeakHold,
    OperatorAnswered,
    Preflight,
    RunOpened,
)
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Answer, Checklist, Order, Workshop
from burnin.records.plan import Plan

JOURNAL_FORMAT: Final = 1


@dataclass(frozen=True, kw_only=True)
class Request:
    """What the operator asks for.

    Attributes:
        plan: The plan.
        plan_sha256: Digest of its file.
        out: Folder in which the run's folder is made.
        checklist: The checklist, None for none.
        order: The order, None for none.
        workshop: Who tests.
        answers: Answers to checklist lines.
        readings: Instrument readings given beforehand.
        fan_survey: What the headers did before the run, None where no survey was asked for.
        leak_hold: The leak hold before the first soak, None where none was given.
        asides: Who hands in lines for the journal while the run goes on.
        cautions: How the cautions were answered.
        retest_of: Run id this one follows.
        note: Operator's note.
        earlier: Earlier runs of the same serial number, oldest first.
    """

    plan: Plan
    plan_sha256: str
    out: Path
    workshop: Workshop
    cautions: CautionsAnswered
    checklist: Checklist | None = None
    order: Order | None = None
    answers: tuple[Answer, ...] = ()
    readings: tuple[InstrumentReading, ...] = ()
    fan_survey: FanSurvey | None = None
    leak_hold: LeakHold | None = None
    asides: tuple[Aside, ...] = ()
    retest_of: str = ""
    note: str = ""
    earlier: tuple[EarlierRun, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Equipment:
    """What a run is done with.

    Attributes:
        host: The machine.
        probes: Name to probe.
        sources: Name to source.
        loads: Name to load.
        plugins: Everything discovered, broken ones included.
        make_bench: Makes the bench once the machine is known; gets the inventory and the run's folder.
    """

    host: Host
    probes: Mapping[str, Probe]
    sources: Mapping[str, Source]
    loads: Mapping[str, Load]
    plugins: tuple[Found, ...]
    make_bench: Callable[[Inventory, Path], Bench]


@dataclass(frozen=True, kw_only=True)
class Conducted:
    """How a run went.

    Attributes:
        folder: The run's folder.
        reason: Why it ended.
        whole: Whether every line is on disk.
    """

    folder: Path
    reason: str
    whole: bool


def new_run_id(clock: Clock) -> str:
    """Return a run id that sorts by local time and is unique on this machine."""
    local = time.gmtime(clock.wall_ns() // 1_000_000_000 + clock.utc_offset_s())
    return f"{time.strftime('%Y%m%d-%H%M%S', local)}-{os.urandom(3).hex()}"


def anchor(host: Host) -> Anchor:
    """Return one reading of all clocks."""
    clock = host.clock
    try:
        boot_id = host.read("/proc/sys/kernel/random/boot_id").decode("ascii", "replace").strip()
    except Exception:  # noqa: BLE001 - systems without one go without
        boot_id = ""
    return Anchor(
        wall_ns=clock.wall_ns(),
        utc_offset_s=clock.utc_offset_s(),
        mono_ns=clock.mono_ns(),
        boot_ns=clock.boot_ns(),
        boot_id=boot_id,
    )


def make_folder(out: Path, run_id: str) -> Path:
    """Return the run's new folder.

    Raises:
        InputError: it cannot be made or written to.
    """
    folder = out / run_id
    try:
        folder.mkdir(parents=True)
        probe = folder / ".write-test"
        probe.write_bytes(b"x")
        probe.unlink()
    except OSError as error:
        reason = (error.strerror or "cannot be written").lower()
        raise InputError(
            f"--out {out}: {reason}; expected a folder that can be written to",
            slug="out-unwritable",
            hint="Name another folder with --out.",
        ) from None
    return folder.resolve()


def conduct(request: Request, equipment: Equipment, observer: Observer) -> Conducted:
    """Run a plan on a machine and return where its journal is.

    Raises:
        InputError: the run's folder cannot be made.
        BurninError: the journal cannot be begun.
    """
    host = equipment.host
    run_id = new_run_id(host.clock)
    folder = make_folder(request.out, run_id)
    found = take_inventory(host, equipment.probes)
    channels = survey(host, equipment.sources, request.plan)
    seed = request.plan.seed if request.plan.seed is not None else int.from_bytes(os.urandom(7), "big")
    writer = JournalWriter(folder, clock=host.clock)
    recorder = Recorder(writer, host.clock, observer)
    for event in _opening(request, equipment, channels, found, names=(run_id, f"{seed:x}")):
        recorder.note(event)
    assignment = Assignment(
        run_id=run_id,
        plan=request.plan,
        seed=seed,
        host=host,
        inventory=found,
        survey=channels,
        specs={name: load.spec for name, load in equipment.loads.items()},
        places=lambda: _places(host, found),
        asides=(*_asides(request.plan, equipment, found), *request.asides),
    )
    bench = equipment.make_bench(found, folder)
    reason = Supervisor(assignment, bench, recorder, observer).run()
    return Conducted(folder=folder, reason=reason, whole=recorder.close())


def _asides(plan: Plan, equipment: Equipment, first: Inventory) -> tuple[Aside, ...]:
    host = equipment.host
    probes = {name: probe for name, probe in equipment.probes.items() if probe.spec.part in HOT_PARTS}
    look = HotLookAside(
        plan,
        {name: load.spec.resource for name, load in equipment.loads.items()},
        lambda: looked_again(first, take_inventory(host, probes)),
        in_thread=host.kind == "this machine",
    )
    return (KernelAside(host), look)


def _places(host: Host, inventory: Inventory) -> Places:
    live = host.live
    cpus = live.usable_cpus() if live else tuple(core.cpu for core in inventory.cpu.cores)
    return Places(cpus=cpus, available_bytes=memory_available_bytes(host))


def _opening(
    request: Request, equipment: Equipment, channels: Survey, inventory: Inventory, *, names: tuple[str, str]
) -> list[AnyEvent]:
    run_id, seed = names
    host = equipment.host
    opened = RunOpened(
        journal_format=JOURNAL_FORMAT,
        run_id=run_id,
        anchor=anchor(host),
        software=software(equipment.plugins),
        plan=request.plan,
        plan_sha256=request.plan_sha256,
        checklist=request.checklist,
        order=request.order,
        workshop=request.workshop,
        rehearsal=host.kind == "rehearsal",
        seed=seed,
        with_rights=host.with_rights,
        retest_of=request.retest_of,
        note=request.note,
        earlier=request.earlier,
    )
    broken = {f"{found.room}/{found.name}": found.broken for found in equipment.plugins if found.broken}
    return [
        opened,
        InventoryTaken(inventory=inventory),
        channels.described,
        channels.armed,
        Preflight(cannot_judge=cannot_judge(request, channels, inventory), broken_plugins=broken),
        request.cautions,
        *(OperatorAnswered(answer=answer) for answer in request.answers),
        *request.readings,
        *([request.leak_hold] if request.leak_hold else []),
        *([request.fan_survey] if request.fan_survey else []),
    ]


def cannot_judge(request: Request, channels: Survey, inventory: Inventory) -> tuple[Absence, ...]:
    """Return what is known before the first load not to be judgeable, with reasons."""
    found = list(channels.described.absent)
    if request.plan.first_look:
        found.append(
            Absence(what="acceptance", reason="this plan is a first look: too short to accept a machine")
        )
    for what, part in (("USB ports", inventory.usb), ("video outputs", inventory.displays)):
        if part.present is None:
            reason = part.unknown.get("present") or part.unknown.get("*") or "the kernel shows none"
            found.append(Absence(what=what, reason=reason))
    return tuple(found)
