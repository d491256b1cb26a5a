"""How it was tested: the plan's stages, the decision rule, and the version of everything involved."""

from __future__ import annotations

from dataclasses import dataclass

from burnin.calc.run_facts import resource_of
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.records.view import RunView, StageSpan
from burnin.report.figures import significant, span
from burnin.report.notes import ARRAY_NOTE
from burnin.report.words import plain_name, shown_text
from burnin.report.work import ranges


@dataclass(frozen=True, kw_only=True)
class StageRow:
    """One stage as planned and as it ran."""

    number: int
    name: str
    kind: str
    planned: str
    ran: str
    loads: str
    ended: str


@dataclass(frozen=True, kw_only=True)
class Version:
    """One thing that took part, with its version; ``brief`` is what paper says instead, empty for the same."""

    name: str
    version: str
    brief: str = ""


_KINDS = {
    "idle": "at rest",
    "soak": "one load, hot",
    "combined": "all loads together",
    "cool_down": "cooling",
    "dwell": "at rest after heat",
}
_ENDS = {
    "time": "time was up",
    "steady": "steady state reached",
    "longest": "longest time reached, condition not met",
    "operator": "stopped by the operator",
    "safety": "stopped for safety",
    "fault": "stopped by a fault",
    "trouble": "stopped by trouble",
    "cut_off": "cut off",
}


def stage_rows(view: RunView) -> tuple[StageRow, ...]:
    """Return the plan's stages with what became of each."""
    ran = {stage.index: stage for stage in view.stage_spans()}
    return tuple(_stage(index, stage, ran.get(index)) for index, stage in enumerate(view.opened.plan.stages))


def _stage(index: int, stage: Stage, ran: StageSpan | None) -> StageRow:
    return StageRow(
        number=index + 1,
        name=shown_text(stage.name),
        kind=_KINDS[stage.kind],
        planned=_planned(stage),
        ran=span(ran.span_s) if ran else "not run",
        loads="; ".join(_load(use) for use in stage.loads) or "none",
        ended=_ENDS.get(ran.reason, plain_name(ran.reason)) if ran else "the run ended before it",
    )


def _planned(stage: Stage) -> str:
    if stage.duration_s is not None:
        text = span(stage.duration_s)
    else:
        text = f"until steady, {span(stage.at_least_s)} to {span(stage.at_most_s)}"
    return text if stage.shape.kind == "steady" else f"{text}, {plain_name(stage.shape.kind)}"


def _load(use: LoadUse) -> str:
    cores = {"all": "every core", "one": "one core"}.get(
        str(use.cores)
    ) or f"cores {ranges(sorted(use.cores))}"  # type: ignore[arg-type]  # the two words are taken
    params = ", ".join(
        f"{plain_name(key)} {shown_text(str(value))}" for key, value in sorted(use.params.items())
    )
    return f"{plain_name(use.load)} on {cores}" + (f" ({params})" if params else "")


def decision_rule(plan: Plan) -> str:
    """Return in words how a figure is held against its limit."""
    if plan.decision_rule == "guarded":
        return (
            "A figure passes only if it keeps its stated uncertainty away from the limit (guarded acceptance); "
            "where the uncertainty is unknown the bare figure decides, and the table says so with a dash."
        )
    return (
        "A figure passes if it does not exceed its limit (simple acceptance). At the limit itself the chance of "
        "accepting wrongly is up to 50 % (ILAC-G8:09/2019)."
    )


def fold_rule(plan: Plan) -> str:
    """Return in words how the verdict follows from the judgements."""
    return (
        "One failed criterion rejects. Otherwise one required criterion that could not be judged makes the verdict "
        "inconclusive. Accepted needs a hot steady state, all loads together, and at least "
        f"{significant(plan.minimum_minutes)} minutes under load."
    )


def array_note(view: RunView) -> str:
    """Return, with a space before it, what a memory test on a running machine does not show; empty without one."""
    tested = any(resource_of(load) == "memory" for load in view.load_starts.values())
    return f" {ARRAY_NOTE}" if tested else ""


def versions(view: RunView) -> tuple[Version, ...]:
    """Return program, interpreter, libraries, plugins and plan with their versions."""
    software = view.opened.software
    found = [
        Version(name="burnin", version=shown_text(software.burnin)),
        Version(name="Python", version=shown_text(software.python)),
    ]
    found += [
        Version(name=shown_text(name), version=shown_text(version))
        for name, version in sorted(software.libraries.items())
    ]
    if software.numeric_kernel:
        found.append(Version(name="numeric kernel", version=shown_text(software.numeric_kernel)))
    found.append(Version(name="journal format", version=str(view.opened.journal_format)))
    found.append(Version(name="plan file, SHA-256", version=shown_text(view.opened.plan_sha256)))
    found.append(Version(name="seed of all loads", version=shown_text(view.opened.seed)))
    return tuple(found)


def plugin_versions(view: RunView) -> tuple[Version, ...]:
    """Return every plugin used, those of one room and one version together: loads, sources, probes and criteria."""
    together: dict[tuple[str, str], list[str]] = {}
    for name, version in sorted(view.opened.software.plugins.items()):
        room, _, own = name.rpartition("/")
        together.setdefault((room, version), []).append(plain_name(own))
    return tuple(
        Version(
            name=shown_text(f"{room or 'plugins'}, {version}"),
            version=", ".join(names),
            brief=f"{len(names)} in use",
        )
        for (room, version), names in together.items()
    )
