"""Invented runs for the tests of this room: an accepted night, a rejected machine, a first look without sensors."""

from __future__ import annotations

import math
import random

from invented import CHECKLIST, CORES, ORDER, PLAN, SOFTWARE, WORKSHOP, channels, inventory

from burnin.records.channels import Absence, Channel
from burnin.records.events import (
    CautionsAnswered,
    FaultFound,
    InstrumentReading,
    OperatorAnswered,
    Preflight,
    Remark,
    SafetyArmed,
    TripLimit,
)
from burnin.records.findings import Finding, Verdict, WaiverUsed
from burnin.records.inventory import (
    BoardPart,
    CpuPart,
    DisplayPart,
    GraphicsPart,
    Inventory,
    MemoryPart,
    NetworkPart,
    PciPart,
    StoragePart,
    UsbPart,
)
from burnin.records.paperwork import Answer
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.records.view import RunView
from burnin.testing.run_builder import RunBuilder


class Plant:
    """A first-order loop, good enough for pictures."""

    def __init__(self, seed: int = 7) -> None:
        self.random = random.Random(seed)
        self.heat = {"cpu": 0.0, "water": 0.0, "gpu": 0.0}

    def rows(self, seconds: int, cpu_w: float, gpu_w: float, every_s: float = 5.0):
        for _ in range(int(seconds / every_s)):
            self.heat["water"] += ((cpu_w + gpu_w) * 0.035 - self.heat["water"]) * (
                1 - math.exp(-every_s / 320)
            )
            self.heat["cpu"] += (cpu_w * 0.16 - self.heat["cpu"]) * (1 - math.exp(-every_s / 9))
            self.heat["gpu"] += (gpu_w * 0.12 - self.heat["gpu"]) * (1 - math.exp(-every_s / 15))
            yield self.row(cpu_w, gpu_w)

    def row(self, cpu_w: float, gpu_w: float) -> tuple[float | None, ...]:
        noise = self.random.gauss
        water = 22.5 + self.heat["water"]
        package = water + 3 + self.heat["cpu"] + noise(0, 0.6)
        cores = [package - 1.5 - 0.8 * n + noise(0, 0.7) for n in range(CORES)]
        busy = cpu_w > 60
        return (
            round(package, 1), round(water + noise(0, 0.05), 2), round(water + 2 + self.heat["gpu"] + noise(0, 0.4), 0),
            round(water + 6 + cpu_w * 0.11 + noise(0, 0.5), 1), round(34 + self.heat["water"] * 0.6 + noise(0, 0.3), 0),
            *[round(value, 0) for value in cores],
            5000.0 + noise(0, 3) if busy else 1400 + noise(0, 240), cpu_w + noise(0, 1.5), gpu_w + noise(0, 2),
            2750 + noise(0, 12), 620 + 9 * self.heat["water"] * 4 + noise(0, 6), None if not busy and noise(0, 1) > 2.4 else 540 + noise(0, 5),
            12.04 + noise(0, 0.01),
        )  # fmt: skip


def _begin(plan: Plan = PLAN, **opened: object) -> RunBuilder:
    fields = {
        "run_id": "20260528-222640-kranich",
        "workshop": WORKSHOP,
        "order": ORDER,
        "checklist": CHECKLIST,
        "software": SOFTWARE,
        "with_rights": True,
    }
    run = RunBuilder(plan, **{**fields, **opened})
    run.machine(
        channels(),
        inventory=inventory(),
        absent=(Absence(what="room humidity", reason="no instrument was given", quantity="humidity"),),
    )
    limits = (
        TripLimit(channel="hwmon/cpu", trip=95.0, because="5 degrees below the hardware's critical limit"),
    )
    return run.add(SafetyArmed(period_s=0.2, quiet_s=5.0, limits=limits), CautionsAnswered(how="asked"))


def _stage(
    run: RunBuilder, plant: Plant, index: int, watts: tuple[float, float], faults: tuple[FaultFound, ...] = ()
) -> None:
    stage = run.lines[0].event.plan.stages[index]
    run.stage(index, stage.name)
    work = {}
    for use in stage.loads:
        for core in range(CORES) if use.cores == "all" else (None,):
            key = f"{index}.{use.load}.{core if core is not None else 0}"
            run.load(
                key,
                use.load,
                stage=index,
                core=core,
                unit="GB" if use.load == "memory_patterns" else "products",
            )
            work[key] = 12.0 if use.load == "memory_patterns" else 5.2
    rows = list(plant.rows(int(stage.duration_s), *watts))
    half = len(rows) // 2
    run.sweeps_at(rows[:half], every_s=5.0, work=work)
    run.add(*faults)
    run.sweeps_at(rows[half:], every_s=5.0, work=work)
    for key in work:
        total = run._total(key)
        run.end_load(key, steps=int(total), amount=total)
    run.end_stage(index, stage.name)


def accepted() -> tuple[RunView, tuple[Finding, ...], Verdict]:
    run = _begin()
    run.add(
        InstrumentReading(
            name="room",
            value=22.4,
            unit="degC",
            instrument="Example T-100",
            calibrated="2026-01",
            uncertainty=0.3,
            place="1 m in front of the case",
        )
    )
    run.add(OperatorAnswered(answer=Answer(line="cable", answer="yes", remark="40 mm behind the case")))
    plant = Plant()
    for index, watts in enumerate(((38, 18), (225, 20), (110, 20), (228, 240), (35, 18))):
        _stage(run, plant, index, watts)
    run.add(Remark(text="Loop bled before the test."))
    view = run.close().view()
    findings = judged(view)
    return view, findings, Verdict(standing="accepted", first_look=False, reasons=(), exit_code=0)


def judged(view: RunView) -> tuple[Finding, ...]:
    hottest = float(max(view.good("hwmon/cpu")))
    water = float(max(view.good("hwmon/coolant")))
    return (
        Finding(criterion="wrong_results", slug="none", outcome="pass", observed=0.0, limit=0.0, unit="count", margin=0.0, values={"pieces": 131040}, evidence=(31, 32, 33)),
        Finding(criterion="temperature_limit", slug="inside", outcome="pass", subject="CPU package", observed=hottest, limit=90.0, unit="degC", uncertainty=2.0, margin=90.0 - 2.0 - hottest, evidence=(812,)),
        Finding(criterion="temperature_limit", slug="inside", outcome="pass", subject="Coolant", observed=water, limit=55.0, unit="degC", margin=55.0 - water),
        Finding(criterion="throttling", slug="no_counter", outcome="pass", values={"events": 0}, observed=0.0, limit=0.0, unit="count", margin=0.0),
        Finding(criterion="sampling", slug="complete", outcome="pass", observed=100.0, limit=98.0, unit="%", margin=2.0),
        Finding(criterion="load_survival", slug="all_ended_as_planned", outcome="pass", values={"loads": 25}),
        Finding(criterion="checklist_lines", slug="usb_enough", outcome="pass", subject="usb3", observed=3.0, limit=3.0, unit="count", margin=0.0, values={"line": "usb3", "free": 3}),
        Finding(criterion="checklist_lines", slug="output_free", outcome="pass", subject="hdmi", values={"line": "hdmi", "output": "card0-HDMI-A-1"}),
        Finding(criterion="checklist_lines", slug="memory_enough", outcome="pass", subject="ram", observed=34.36, limit=16.0, unit="GB", margin=18.36, values={"line": "ram"}),
        Finding(criterion="checklist_lines", slug="operator_yes", outcome="pass", subject="cable", values={"line": "cable"}),
        Finding(criterion="ordered_parts", slug="not_ordered", outcome="not_applicable", required=False, subject="case", values={"reason": "the order sheet names none"}),
    )  # fmt: skip


def rejected() -> tuple[RunView, tuple[Finding, ...], Verdict]:
    run = _begin(run_id="20260529-081502-kranich")
    plant = Plant(3)
    word = {
        "address": "0x00007f3a5c0119c8",
        "expected": "0xaaaaaaaaaaaaaaaa",
        "found": "0xaaaaaaaa2aaaaaaa",
        "bits_flipped": 1,
        "pattern": "complement",
        "offset_bytes": 1_153_480,
    }
    flip = FaultFound(
        load_id="2.memory_patterns.0",
        load="memory_patterns",
        stage=2,
        fault="memory_word",
        step=4711,
        seed="2a",
        values=word,
    )
    product = FaultFound(
        load_id="3.matrix.3",
        load="matrix",
        stage=3,
        core=3,
        fault="wrong_result",
        step=90,
        seed="2a",
        values={"expected": "0x3ff0000000000000", "found": "0x3ff0000000000001", "row": 17},
    )
    for index, watts in enumerate(((38, 18), (225, 20), (110, 20), (228, 240), (35, 18))):
        _stage(run, plant, index, watts, {2: (flip,), 3: (product,)}.get(index, ()))
    view = run.close().view()
    wrong = Finding(
        criterion="wrong_results",
        slug="memory_word",
        outcome="fail",
        subject="memory patterns",
        stage="Memory",
        observed=2.0,
        limit=0.0,
        unit="count",
        margin=-2.0,
        values=word,
        evidence=(900, 901),
        safety=False,
    )
    findings = (wrong, *judged(view)[1:])
    return view, findings, Verdict(standing="rejected", first_look=False, reasons=(0,), exit_code=1)


FIRST_LOOK = Plan(
    format=1, name="first-look", title="First look", about="A minute and a half: what is there, and does it compute.", first_look=True,
    stages=(Stage(name="Idle", kind="idle", duration_s=20), Stage(name="Work", kind="combined", duration_s=60, loads=(LoadUse(load="digest"),))),
)  # fmt: skip


def bare(**opened: object) -> tuple[RunView, tuple[Finding, ...], Verdict]:
    """A first look at a machine without sensors, ports or paperwork."""
    run = RunBuilder(FIRST_LOOK, run_id="20260530-100000-a1b2c3", software=SOFTWARE, **opened)
    absent = (
        Absence(what="temperature sensors", reason="the kernel lists no sensor chip", quantity="temperature"),
        Absence(what="fan sensors", reason="the kernel lists no sensor chip", quantity="fan_speed"),
    )
    unknown = {"*": "the kernel shows none of it"}
    machine = Inventory(
        cpu=CpuPart(model="Virtual CPU", logical=2), memory=MemoryPart(usable_bytes=4 << 30, unknown={"modules": "administrator's rights are needed"}),
        board=BoardPart(unknown=unknown), usb=UsbPart(unknown={"present": "the kernel shows no USB bus"}), displays=DisplayPart(unknown=unknown),
        graphics=GraphicsPart(unknown=unknown), storage=StoragePart(unknown=unknown), network=NetworkPart(unknown=unknown), pci=PciPart(unknown=unknown),
    )  # fmt: skip
    clock = Channel(id="psutil/load", source="psutil", quantity="load", label="CPU load", role="none")
    run.machine((clock,), absent=absent, inventory=machine)
    run.add(
        Preflight(
            cannot_judge=(Absence(what="temperature limits", reason="no temperature sensor"),),
            broken_plugins={"sources/example": "no PLUGIN"},
        )
    )
    run.stage(0, "Idle").sweeps_at([(3.0,)] * 20).end_stage(0, "Idle")
    run.stage(1, "Work").load("1.digest.0", "digest", stage=1, core=0, unit="chains").load(
        "1.digest.1", "digest", stage=1, core=1, unit="chains"
    )
    run.sweeps_at([(99.5,)] * 60, work={"1.digest.0": 40.0, "1.digest.1": 40.0})
    for core in (0, 1):
        run.end_load(f"1.digest.{core}", steps=2400, amount=2400.0)
    view = run.end_stage(1, "Work").close().view()
    findings = (
        Finding(criterion="wrong_results", slug="none", outcome="pass", observed=0.0, limit=0.0, unit="count", margin=0.0),
        Finding(criterion="temperature_limit", slug="no_sensor", outcome="inconclusive", values={"reason": "the kernel lists no sensor chip"}),
        Finding(criterion="minimum_time", slug="too_short", outcome="inconclusive", observed=1.0, limit=60.0, unit="min", margin=-59.0),
        Finding(criterion="run_complete", slug="complete", outcome="pass", values={"planned": 2, "last_s": 80.0}),
    )  # fmt: skip
    return view, findings, Verdict(standing="inconclusive", first_look=True, reasons=(1, 2), exit_code=3)


def waived() -> tuple[RunView, tuple[Finding, ...], Verdict]:
    view, findings, _ = accepted()
    late = Finding(
        criterion="coolant_limit",
        slug="above",
        outcome="fail",
        subject="Coolant",
        observed=55.04,
        limit=55.0,
        unit="degC",
        margin=-0.04,
    )
    waiver = WaiverUsed(
        criterion="coolant_limit",
        subject="Coolant",
        outcome="fail",
        reason="customer's own radiator",
        by="R. Beispiel",
    )
    return (
        view,
        (*findings, late),
        Verdict(standing="accepted", first_look=False, reasons=(), waivers=(waiver,), exit_code=0),
    )
