"""A whole good run, told line by line, with one thing wrong where a test asks for it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from string import Formatter

import pytest

from burnin.plugin.discovery import usable
from burnin.records.channels import Channel
from burnin.records.events import SafetyArmed, TripLimit
from burnin.records.plan import LoadUse, Plan, Shape, Stage
from burnin.report.sentences import SENTENCES
from burnin.testing.run_builder import RunBuilder

CPU = Channel(
    id="hwmon/die/temp1",
    source="hwmon",
    quantity="temperature",
    label="Processor",
    role="cpu_hottest",
    accuracy=2.0,
    limit_critical=100.0,
)
CLOCK = Channel(
    id="cpu_clock/cpu0",
    source="cpu_clock",
    quantity="frequency",
    label="Clock 0",
    role="cpu_clock",
    cores=(0,),
)
THROTTLE = Channel(
    id="throttle/core0", source="throttle", quantity="count", label="Throttle count 0", role="throttle_count"
)
CHANNELS = (CPU, CLOCK, THROTTLE)

LOADS = (LoadUse(load="matrix"), LoadUse(load="memory_patterns"))


def plan_of(*stages: Stage, **fields: object) -> Plan:
    base: dict[str, object] = {
        "format": 1,
        "name": "test",
        "title": "Test",
        "sample_hz": 0.2,
        "minimum_minutes": 30.0,
        "stages": stages
        or (
            Stage(name="rest", kind="idle", duration_s=300.0),
            Stage(name="hot", kind="soak", duration_s=1200.0, loads=LOADS[:1]),
            Stage(name="both", kind="combined", duration_s=1200.0, loads=LOADS),
        ),
    }
    return Plan(**{**base, **fields})


@dataclass
class Told:
    """A run in the telling: what each stage shows can be changed before it is told."""

    plan: Plan
    channels: tuple[Channel, ...] = CHANNELS
    rows: dict[str, tuple[float | None, ...]] = field(default_factory=dict)
    opened: dict[str, object] = field(default_factory=dict)
    builder: RunBuilder = field(init=False)

    def __post_init__(self) -> None:
        self.builder = RunBuilder(self.plan, **self.opened)
        self.builder.machine(self.channels)

    def arm(self) -> Told:
        limit = TripLimit(channel=CPU.id, trip=95.0, because="5 below the processor's own critical limit")
        self.builder.add(SafetyArmed(period_s=0.2, quiet_s=5.0, limits=(limit,)))
        return self

    def row(self, stage: Stage) -> tuple[float | None, ...]:
        usual = (70.0 if stage.loads else 35.0, 4500.0, 3.0)[: len(self.channels)]
        return self.rows.get(stage.name, usual)

    def stage(self, index: int, *, rate: float = 10.0, reason: str = "time", end: bool = True) -> Told:
        stage = self.plan.stages[index]
        self.builder.stage(index, stage.name)
        ids = [f"{index}.{use.load}.0" for use in stage.loads]
        for load_id, use in zip(ids, stage.loads, strict=True):
            self.builder.load(load_id, use.load, stage=index, core=0)
        every_s = 1.0 / self.plan.sample_hz
        count = round(stage.longest_s / every_s)
        work = dict.fromkeys(ids, rate)
        self.builder.sweeps_at([self.row(stage)] * count, every_s=every_s, work=work)
        if end:
            for load_id in ids:
                self.builder.end_load(
                    load_id, steps=int(rate * stage.longest_s), amount=rate * stage.longest_s
                )
            self.builder.end_stage(index, stage.name, reason=reason)
        return self

    def all(self) -> Told:
        self.arm()
        for index in range(len(self.plan.stages)):
            self.stage(index)
        return self


@pytest.fixture
def tell() -> Callable[..., Told]:
    def told(*stages: Stage, channels: tuple[Channel, ...] = CHANNELS, **fields: object) -> Told:
        rows = fields.pop("rows", {})
        opened = fields.pop("opened", {})
        return Told(plan=plan_of(*stages, **fields), channels=channels, rows=rows, opened=opened)

    return told


@pytest.fixture
def one_stage() -> Callable[..., Stage]:
    def stage(kind: str = "soak", *, length_s: float = 600.0, shape: Shape | None = None) -> Stage:
        return Stage(name="only", kind=kind, duration_s=length_s, loads=LOADS[:2], shape=shape or Shape())

    return stage


SPOKEN = {key.partition("/")[0] for key in SENTENCES} - {"*"}
ALWAYS_THERE = {"subject", "stage", "observed", "limit", "unit", "uncertainty", "margin"}
SAID: set[str] = set()


def _spoken(finding):
    """Fail where a finding has no sentence, or the sentence asks for a figure the finding does not have."""
    key = f"{finding.criterion}/{finding.slug}"
    wanted = {name for _, name, _, _ in Formatter().parse(SENTENCES[key]) if name}
    assert wanted <= finding.values.keys() | ALWAYS_THERE, key
    SAID.add(key)


@pytest.fixture(autouse=True)
def every_finding_has_its_sentence(monkeypatch):
    for name, plugin in usable("criteria").items():
        if name in SPOKEN:
            monkeypatch.setattr(type(plugin), "judge", _watched(type(plugin).judge))


def _watched(judge):
    def watched(self, view, params):
        findings = judge(self, view, params)
        for finding in findings:
            _spoken(finding)
        return findings

    return watched
