"""Runs made quickly for the tests of evidence: told line by line, written by the real writer."""

from __future__ import annotations

from pathlib import Path

import msgspec

from burnin.host.simulated import SimulatedClock
from burnin.journal.frame import encode_line, line_hash
from burnin.journal.writer import JournalWriter
from burnin.records import codec
from burnin.records.channels import Channel
from burnin.records.events import (
    CautionsAnswered,
    EarlierRun,
    FaultFound,
    KernelLine,
    Remark,
    SafetyArmed,
    TripLimit,
)
from burnin.records.inventory import Inventory
from burnin.records.inventory_devices import Drive, NetworkPart, NetworkPort, StoragePart
from burnin.records.paperwork import Order, Workshop
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.testing.run_builder import RunBuilder

SOAK = Stage(name="processor", duration_s=30.0, loads=(LoadUse(load="matrix"),))
CHANNEL = Channel(
    id="hwmon/chip/temp1", source="hwmon", quantity="temperature", label="CPU package", role="cpu_hottest"
)
MAC = "02:5e:ab:00:17:c4"
DRIVE = "INV-DRIVE-77123"
CUSTOMER = "Quillon Estate"
INVENTORY = Inventory(
    storage=StoragePart(drives=(Drive(name="nvme0n1", model="Invented 1", serial=DRIVE),)),
    network=NetworkPart(ports=(NetworkPort(name="eth0", mac=MAC),)),
)
ORDER = Order(
    format=1,
    order="A-17",
    customer=CUSTOMER,
    serial="SN-1",
    machine="Invented tower",
    remarks=f"Deliver to {CUSTOMER.upper()}, <b>ground floor</b>",
)


def told(*, closed: bool = True, faults: int = 0, sweeps: int = 30, **opened: object) -> RunBuilder:
    """A run with everything a customer's copy leaves out."""
    plan = Plan(format=1, name="short", title="Short", stages=(SOAK,))
    first = {"order": ORDER, "workshop": Workshop(name="Larkspur Bench Works"), **opened}
    run = RunBuilder(plan, **first).machine([CHANNEL], inventory=INVENTORY)
    run.add(
        CautionsAnswered(how="option"),
        SafetyArmed(
            period_s=0.2,
            quiet_s=5.0,
            limits=(TripLimit(channel=CHANNEL.id, trip=95.0, because="critical limit"),),
        ),
        KernelLine(what="other", text=f"eth0: link up, address {MAC.upper()}; nvme0 serial {DRIVE}"),
        Remark(text=f"{CUSTOMER} telephoned"),
    )
    run.stage(0, SOAK.name).load("1.matrix.0", "matrix", stage=0, core=0)
    run.sweeps_at([[60.0 + step / 10] for step in range(sweeps)], work={"1.matrix.0": 4.0})
    for step in range(faults):
        run.add(
            FaultFound(
                load_id="1.matrix.0",
                load="matrix",
                stage=0,
                core=0,
                fault="wrong_product",
                step=step,
                seed="2a",
            )
        )
    return run.end_load("1.matrix.0").end_stage(0, SOAK.name).close() if closed else run


def written(run: RunBuilder, folder: Path) -> Path:
    """Write a run into a new folder."""
    folder.mkdir(parents=True)
    writer = JournalWriter(folder, clock=SimulatedClock(), reserve_bytes=4096)
    for line in run.lines:
        writer.append(line.event, mono_ns=line.mono_ns)
    assert writer.close(10.0)
    return folder


def rechained(journal: bytes, change) -> bytes:
    """A journal whose events went through ``change`` and whose hashes were all made anew."""
    data, prev = b"", "0" * 64
    for raw in journal.splitlines():
        line = msgspec.json.decode(raw)
        event = codec.to_json(change(line["event"]))
        made = encode_line(event, seq=line["seq"], mono_ns=line["t"], prev=prev)
        prev = line_hash(made)
        data += made + b"\n"
    return data


def earlier(*standings: str) -> tuple[EarlierRun, ...]:
    """Earlier runs that ended like this."""
    return tuple(EarlierRun(run_id=f"run-{number}", standing=each) for number, each in enumerate(standings))
