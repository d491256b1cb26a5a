"""A plan: what is done to the machine, for how long, and what is judged."""

from __future__ import annotations

from typing import Literal

from burnin.records.base import Record

Scalar = str | int | float | bool
"""What a parameter may be."""

StageKind = Literal["idle", "soak", "combined", "cool_down", "dwell"]
"""What a stage is for: idle baseline, one load class hot, all load classes together, cooling, idle after heat."""

ShapeKind = Literal["steady", "pulsed", "one_core", "staircase"]


class Shape(Record, frozen=True, kw_only=True):
    """How the load of a stage goes up and down; written once, it serves every load.

    Attributes:
        kind: ``steady``; ``pulsed`` (all workers together); ``one_core`` (each core in turn alone);
            ``staircase`` (workers join one by one, then leave).
        period_s: Pulse period, or time per core or step, in seconds.
        duty: Share of the period under load, 0 to 1 (pulsed only).
    """

    kind: ShapeKind = "steady"
    period_s: float = 2.0
    duty: float = 0.5


class LoadUse(Record, frozen=True, kw_only=True):
    """One load in a stage.

    Attributes:
        load: Name of the load plugin.
        cores: ``all`` for one worker on every usable CPU, ``one`` for a single worker on any, or CPU numbers.
        params: Parameters as the load's own schema allows them.
    """

    load: str
    cores: Literal["all", "one"] | tuple[int, ...] = "all"
    params: dict[str, Scalar] = {}


class CriterionUse(Record, frozen=True, kw_only=True):
    """One rule to judge by.

    Attributes:
        criterion: Name of the criterion plugin.
        params: Parameters as the criterion's own schema allows them.
        required: Whether an inconclusive answer makes the verdict inconclusive.
        stage: Name of the stage it is limited to; empty for the whole run.
    """

    criterion: str
    params: dict[str, Scalar] = {}
    required: bool = True
    stage: str = ""


class Stage(Record, frozen=True, kw_only=True):
    """A span of the run with one set of loads.

    Attributes:
        name: What people call it; unique in the plan.
        kind: What it is for.
        duration_s: Fixed length in seconds; None when it ends by condition.
        until: ``steady`` ends it at thermal steady state; empty for a fixed length.
        at_least_s: Shortest length of a stage that ends by condition.
        at_most_s: Longest length of a stage that ends by condition.
        shape: How the load goes up and down.
        loads: What runs.
        criteria: Rules for this stage alone.
    """

    name: str
    kind: StageKind = "soak"
    duration_s: float | None = None
    until: Literal["", "steady"] = ""
    at_least_s: float = 0.0
    at_most_s: float = 0.0
    shape: Shape = Shape()
    loads: tuple[LoadUse, ...] = ()
    criteria: tuple[CriterionUse, ...] = ()

    @property
    def longest_s(self) -> float:
        """The longest this stage can last, in seconds."""
        return self.at_most_s if self.duration_s is None else self.duration_s


class Waiver(Record, frozen=True, kw_only=True):
    """A criterion the plan lets pass although it failed or could not be judged; impossible for safety.

    Attributes:
        criterion: Name of the criterion waived.
        subject: The one subject it is waived for (a checklist line, a channel); empty for all.
        reason: Why, printed in the verdict line.
        by: Who decided.
    """

    criterion: str
    reason: str
    by: str
    subject: str = ""


class Limits(Record, frozen=True, kw_only=True):
    """Temperature limits (acceptance) and targets of the workshop, in degC; None leaves it to the hardware's own limit.

    Attributes:
        cpu_c: Acceptance limit for the hottest CPU reading.
        coolant_c: Acceptance limit for the coolant.
        power_stage_c: Acceptance limit for the board's power stages.
        graphics_c: Acceptance limit for the graphics card.
        storage_c: Acceptance limit for drives.
        cpu_target_c: Workshop target for the CPU: simple acceptance, "this or better", never a limit.
        graphics_target_c: Workshop target for the graphics card.
        cpu_trip_c: Where the loads stop; None for the hardware's own critical limit less ``trip_margin_c``.
        coolant_trip_c: As above, for the coolant.
        power_stage_trip_c: As above, for the board's power stages.
        graphics_trip_c: As above, for the graphics card.
        storage_trip_c: As above, for drives.
        trip_margin_c: How far below the hardware's critical limit the loads stop.
    """

    cpu_c: float | None = None
    coolant_c: float | None = None
    power_stage_c: float | None = None
    graphics_c: float | None = None
    storage_c: float | None = None
    cpu_target_c: float | None = None
    graphics_target_c: float | None = None
    cpu_trip_c: float | None = None
    coolant_trip_c: float | None = None
    power_stage_trip_c: float | None = None
    graphics_trip_c: float | None = None
    storage_trip_c: float | None = None
    trip_margin_c: float = 5.0


class Plan(Record, frozen=True, kw_only=True):
    """A validated plan.

    Attributes:
        format: Version of the plan format (1).
        name: The file's name without its ending.
        title: What people call it.
        about: One or two sentences: what it is good for.
        decision_rule: ``guarded`` keeps the stated accuracy as a guard band; ``simple`` compares bare values.
        ambient_c: Room temperature as declared, degC; None where nobody measured it.
        sample_hz: Sweeps a second, 0.2 to 10.
        on_fault: ``continue`` gathers more evidence after a fault; ``stop`` ends the run with the stage.
        seed: Seed of all loads; None draws one from the run's id.
        first_look: True for a plan too short to accept anything.
        minimum_minutes: The workshop's minimum time under load for acceptance.
        limits: Temperature limits and targets.
        liquid_cooled: True when the machine must have a leak hold on record, whatever the order says.
        ask_readings: True to ask for instrument readings on a terminal, before the run and while it goes on.
        roles: Channel id (or part of it) to role, where the rule must be overruled.
        stages: In the order they run.
        criteria: Rules for the whole run; the shipped ones that are always judged need not be named.
        waivers: What the plan lets pass, with reasons.
        plugins: Third-party plugins the plan switches on.
    """

    format: Literal[1]
    name: str
    title: str
    about: str = ""
    decision_rule: Literal["guarded", "simple"] = "guarded"
    ambient_c: float | None = None
    sample_hz: float = 1.0
    on_fault: Literal["continue", "stop"] = "continue"
    seed: int | None = None
    first_look: bool = False
    minimum_minutes: float = 60.0
    limits: Limits = Limits()
    liquid_cooled: bool = False
    ask_readings: bool = False
    roles: dict[str, str] = {}
    stages: tuple[Stage, ...] = ()
    criteria: tuple[CriterionUse, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    plugins: tuple[str, ...] = ()

    @property
    def longest_s(self) -> float:
        """The longest the whole plan can last, in seconds."""
        return sum(stage.longest_s for stage in self.stages)
