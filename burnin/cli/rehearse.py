"""``burnin rehearse``: the whole flow on an invented machine in simulated time."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from burnin.cli.accept import conclude, run_watched, tell_outcome
from burnin.cli.equipment import everything, known_plugins, usable_of
from burnin.cli.paperwork import CAUTIONS
from burnin.cli.screen import quiet_output, say
from burnin.engine.conduct import Equipment, Request
from burnin.engine.inline_bench import InlineBench, Script
from burnin.engine.news import Bench
from burnin.errors import InputError
from burnin.host.simulated import SimulatedHost
from burnin.plan.loader import load_checklist, load_plan
from burnin.plugin.discovery import Found
from burnin.records.events import CautionsAnswered, InstrumentReading
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Answer, Order, PartOrdered, Targets, Workshop
from burnin.report.text import REHEARSAL

_SMALL: Final = {
    "matrix": {"n": 64, "rows": 64},
    "memory_patterns": {},
    "digest": {},
}
_STEPS: Final = {"matrix": 2, "digest": 2}

WORKSHOP: Final = Workshop(
    name="Larkspur Bench Works",
    address=("Invented Lane 1", "00000 Nowhere"),
    contact="none: this workshop is invented",
    signatory="A. Nobody",
)
ORDER: Final = Order(
    format=1,
    order="R-0001",
    customer="invented customer",
    serial="REHEARSAL-1",
    machine="Invented compact water-cooled PC",
    parts=(PartOrdered(part="memory", text="Two modules of 16 GB", count=2, size_gb=16),),
    targets=Targets(),
    remarks="Everything on this page is invented.",
)
ANSWERS: Final = (
    Answer(line="video", answer="yes", remark="invented: picture seen in the invented headset at 90 Hz"),
    Answer(line="system", answer="yes", remark="invented: 64-bit system installed"),
)


def rehearse(options: argparse.Namespace) -> int:
    """Run the one-hour plan on the simulated bench; return the exit code of its verdict."""
    fails_at_s = options.pump_fails_at
    if fails_at_s is not None and not 0 <= fails_at_s <= 3600:
        raise InputError(
            f"--pump-fails-at {fails_at_s:g}: expected seconds from 0 to 3600", slug="rehearse-pump"
        )
    with quiet_output(to_error=options.json):
        say(REHEARSAL)
        for caution in CAUTIONS:
            say(f"  - {caution}")
        request, equipment = _prepare(Path(options.out), fails_at_s)
        conducted = run_watched(request, equipment, every_s=300.0)
        outcome = conclude(conducted)
    return tell_outcome(options, conducted, outcome)


def _prepare(out: Path, fails_at_s: float | None) -> tuple[Request, Equipment]:
    found = everything()
    plan, digest = load_plan("one-hour", known_plugins(found))
    host = SimulatedHost(pump_fails_at_s=fails_at_s)
    request = Request(
        plan=plan,
        plan_sha256=digest,
        out=out,
        checklist=load_checklist("first-generation-tethered"),
        order=ORDER,
        workshop=WORKSHOP,
        answers=ANSWERS,
        readings=(
            InstrumentReading(
                name="room",
                value=22.0,
                unit="degC",
                instrument="invented thermometer",
                uncertainty=0.5,
                place="bench",
            ),
        ),
        cautions=CautionsAnswered(how="option"),
        note=REHEARSAL,
    )
    return request, _equipment(host, found)


def _equipment(host: SimulatedHost, found: tuple[Found, ...]) -> Equipment:
    rooms = {room: usable_of(found, room) for room in ("loads", "sources", "probes")}

    def make_bench(inventory: Inventory, folder: Path) -> Bench:
        del inventory, folder
        script = Script(
            on_load=lambda cpu, memory: host.set_load(cpu, memory, 0.0), params=_SMALL, steps=_STEPS
        )
        return InlineBench(host, rooms["loads"], rooms["sources"], script)  # type: ignore[arg-type] # checked by discovery

    return Equipment(
        host=host,
        probes=rooms["probes"],  # type: ignore[arg-type] # checked at the door by discovery
        sources=rooms["sources"],  # type: ignore[arg-type] # checked at the door by discovery
        loads=rooms["loads"],  # type: ignore[arg-type] # checked at the door by discovery
        plugins=found,
        make_bench=make_bench,
    )
