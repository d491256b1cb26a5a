"""Invented runs: views in memory, journals on disk, and rows, all from seeds."""

from __future__ import annotations

import random
from pathlib import Path

import msgspec

from burnin.journal.compact import event_bytes
from burnin.journal.frame import NO_LINE_BEFORE, encode_line, line_hash
from burnin.ledger.ingest import entry_of
from burnin.ledger.rows import Entry
from burnin.records.channels import Channel
from burnin.records.events import Anchor, FaultFound, InstrumentReading
from burnin.records.findings import Finding, Verdict
from burnin.records.inventory import (
    BoardPart,
    CpuPart,
    Drive,
    GraphicsCard,
    GraphicsPart,
    Inventory,
    MemoryModule,
    MemoryPart,
    NetworkPart,
    NetworkPort,
    StoragePart,
)
from burnin.records.paperwork import Order, PartOrdered
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.testing.run_builder import START_MONO_NS, START_WALL_NS, RunBuilder

CUSTOMERS = ("Ö. Brandt", "Quillfeather Arcade", "C-1187", "Miller & Nobody", "")
CHANNELS = (
    Channel(id="hwmon/cpu", source="hwmon", quantity="temperature", label="CPU package", role="cpu_hottest"),
    Channel(id="hwmon/power", source="hwmon", quantity="power", label="CPU power", role="cpu_power"),
    Channel(id="hwmon/clock", source="hwmon", quantity="frequency", label="CPU clock", role="cpu_clock"),
)
PLAN = Plan(
    format=1,
    name="workshop-soak",
    title="Workshop soak",
    stages=(Stage(name="all together", kind="combined", duration_s=120.0, loads=(LoadUse(load="matrix"),)),),
)
DAY_NS = 86_400_000_000_000


def order(number: int) -> Order:
    return Order(
        format=1,
        order=f"A-{1000 + number}",
        customer=CUSTOMERS[number % len(CUSTOMERS)],
        serial=f"SN-{number:05d}",
        machine=f"Tern {number % 7}",
        parts=(
            PartOrdered(part="cooler", text="Fjord loop 240"),
            PartOrdered(part="case", text="Otter case M"),
        ),
    )


def inventory(number: int) -> Inventory:
    return Inventory(
        cpu=CpuPart(model="Invented CPU 8", microcode="0x12", logical=4),
        board=BoardPart(maker="Bramble", product="B-550", serial=f"BB-{number:05d}", firmware_version="F7"),
        memory=MemoryPart(
            modules=(
                MemoryModule(
                    slot="A2", size_bytes=16 << 30, maker="Sparrow", part_number="SP-16", serial=f"M{number}"
                ),
                MemoryModule(slot="B1", size_bytes=0),
            )
        ),
        graphics=GraphicsPart(cards=(GraphicsCard(name="Invented Graphics 12"),)),
        storage=StoragePart(
            drives=(Drive(name="nvme0n1", model="Saltmarsh SM-1", serial=f"SM-{number:05d}"),)
        ),
        network=NetworkPart(
            ports=(NetworkPort(name="eth0", mac=f"02:00:00:00:{number >> 8:02x}:{number & 255:02x}"),)
        ),
    )


def builder(
    number: int, *, extra_c: float = 0.0, rate: float = 5.0, sweeps: int = 120, **opened: object
) -> RunBuilder:
    """One machine's run: 40 K above a room of 22 degC at 200 W, every machine a little different, no two runs alike."""
    noise = random.Random(opened.pop("noise", number))
    machine = int(opened.pop("machine", number))
    own_k = random.Random(machine + 10_000).gauss(0, 0.8) + noise.gauss(0, 0.3) + extra_c
    start = START_WALL_NS + number * DAY_NS
    anchor = Anchor(
        wall_ns=start, utc_offset_s=7200, mono_ns=START_MONO_NS, boot_ns=START_MONO_NS, boot_id="0a"
    )
    fields = {"run_id": f"2026-{number:06d}-bench", "anchor": anchor, "order": order(machine), **opened}
    plan = fields.pop("plan", PLAN)
    run = RunBuilder(plan, **fields)
    run.machine(CHANNELS, inventory=inventory(machine))
    run.add(InstrumentReading(name="room", value=22.0, unit="degC", uncertainty=0.3))
    run.stage(0, "all together")
    run.load("0.matrix.0", "matrix", stage=0, core=0)
    for _ in range(sweeps):
        row = (
            round(62 + own_k + noise.gauss(0, 0.4), 2),
            round(200 + noise.gauss(0, 1), 2),
            round(4500 + noise.gauss(0, 4), 1),
        )
        run.sweeps_at([row], work={"0.matrix.0": rate + noise.gauss(0, 0.02)})
    if number % 11 == 3:
        run.add(FaultFound(load_id="0.matrix.0", load="matrix", stage=0, core=0, fault="wrong_result"))
    run.end_load("0.matrix.0")
    return run.end_stage(0, "all together").close()


def write_journal(run: RunBuilder, folder: Path) -> Path:
    """Write a built run as the journal it would have left."""
    folder.mkdir(parents=True, exist_ok=True)
    prev, parts = NO_LINE_BEFORE, []
    for line in run.lines:
        raw = encode_line(event_bytes(line.event), seq=line.seq, mono_ns=line.mono_ns, prev=prev)
        prev = line_hash(raw)
        parts.append(raw + b"\n")
    journal = folder / "journal.jsonl"
    journal.write_bytes(b"".join(parts))
    return journal


def judged(number: int) -> tuple[tuple[Finding, ...], Verdict]:
    bad = number % 11 == 3
    findings = (
        Finding(
            criterion="no_wrong_result", slug="wrong" if bad else "none", outcome="fail" if bad else "pass"
        ),
        Finding(criterion="minimum_time", slug="short", outcome="inconclusive"),
    )
    standing = "rejected" if bad else "accepted" if number % 3 else "inconclusive"
    code = {"rejected": 1, "accepted": 0, "inconclusive": 3}[standing]
    return findings, Verdict(standing=standing, first_look=False, reasons=(), exit_code=code)


def entry(number: int, run: RunBuilder | None = None, **opened: object) -> Entry:
    view = (run or builder(number, **opened)).view()
    findings, verdict = judged(number)
    made = entry_of(view, findings, verdict, folder=f"/bench/runs/{number}")
    row = msgspec.structs.replace(made.run, journal_sha256=f"{number:064x}")
    return msgspec.structs.replace(made, run=row)


def entries(count: int) -> tuple[Entry, ...]:
    return tuple(entry(number) for number in range(count))
