"""What a plan of the right shape can still get wrong."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final, get_args

import msgspec

from burnin.errors import Problem
from burnin.plugin.contracts import CriterionSpec, LoadSpec, Param
from burnin.records.channels import Role
from burnin.records.plan import CriterionUse, LoadUse, Plan, Scalar, Stage

LONGEST_S: Final = 30 * 86400.0
FINEST_PULSED_S: Final = 0.002
"""Longest step with which a load may be pulsed: edges are then met to a few milliseconds."""

_ROLES: Final = frozenset(get_args(Role))


@dataclass(frozen=True, kw_only=True)
class KnownPlugins:
    """What a plan may name.

    Attributes:
        loads: Usable loads by name.
        criteria: Usable criteria by name.
        broken: Name to reason of loads and criteria that cannot be used.
    """

    loads: Mapping[str, LoadSpec] = field(default_factory=dict)
    criteria: Mapping[str, CriterionSpec] = field(default_factory=dict)
    broken: Mapping[str, str] = field(default_factory=dict)


def plan_problems(plan: Plan, known: KnownPlugins) -> list[Problem]:
    """Return everything that is wrong with a plan of the right shape, in plan order."""
    return [
        *_figures(plan),
        *_stages(plan, known),
        *_uses(plan.criteria, known, "criteria", plan),
        *_waivers(plan, known),
    ]


def _figures(plan: Plan) -> Iterator[Problem]:
    yield from _between("sample_hz", plan.sample_hz, 0.2, 10.0)
    yield from _between("minimum_minutes", plan.minimum_minutes, 0.0, LONGEST_S / 60)
    if plan.ambient_c is not None:
        yield from _between("ambient_c", plan.ambient_c, -20.0, 60.0)
    if plan.seed is not None:
        yield from _between("seed", plan.seed, 0, 2**63 - 1)
    for part, role in plan.roles.items():
        if role not in _ROLES:
            expected = "one of " + ", ".join(sorted(_ROLES))
            yield Problem(place=f"roles.{part}", found=f"the unknown role '{role}'", expected=expected)
    for name, value in msgspec.structs.asdict(plan.limits).items():
        if value is not None:
            yield from _between(f"limits.{name}", value, 0.0, 150.0)


def _between(place: str, value: float, low: float, high: float) -> Iterator[Problem]:
    if not low <= value <= high:
        yield Problem(place=place, found=f"the number {value}", expected=f"a number from {low:g} to {high:g}")


def _stages(plan: Plan, known: KnownPlugins) -> Iterator[Problem]:
    if not plan.stages:
        yield Problem(place="stages", found="no stage", expected="at least one [[stages]] table")
    names = [stage.name for stage in plan.stages]
    for number, stage in enumerate(plan.stages, start=1):
        place = f"stages[{number}]"
        if names.index(stage.name) != number - 1:
            yield Problem(
                place=f"{place}.name",
                found=f"the name '{stage.name}' a second time",
                expected="a name that occurs once",
            )
        yield from _times(stage, place)
        yield from _shape(stage, place)
        for load_number, use in enumerate(stage.loads, start=1):
            yield from _load(use, f"{place}.loads[{load_number}]", known)
            yield from _pulse(stage, use, f"{place}.loads[{load_number}]", known)
        yield from _uses(stage.criteria, known, f"{place}.criteria", plan)
    if plan.longest_s > LONGEST_S:
        yield Problem(
            place="stages",
            found=f"{plan.longest_s:.0f} s in all",
            expected=f"at most {LONGEST_S:.0f} s (30 days)",
        )


def _times(stage: Stage, place: str) -> Iterator[Problem]:
    if stage.duration_s is not None:
        if not 0 < stage.duration_s <= LONGEST_S:
            yield Problem(
                place=f"{place}.duration_s",
                found=f"the number {stage.duration_s}",
                expected=f"a number of seconds above 0 and at most {LONGEST_S:.0f}",
            )
        if stage.until:
            yield Problem(
                place=f"{place}.until",
                found="an end condition beside duration_s",
                expected="either duration_s or until",
            )
        return
    if not stage.until:
        yield Problem(
            place=f"{place}.duration_s",
            found="nothing",
            expected="a number of seconds, or until = 'steady' with at_least_s and at_most_s",
        )
    elif not 0 <= stage.at_least_s < stage.at_most_s <= LONGEST_S:
        yield Problem(
            place=f"{place}.at_most_s",
            found=f"at_least_s {stage.at_least_s:g} and at_most_s {stage.at_most_s:g}",
            expected="0 or more, and a longer time",
        )


def _shape(stage: Stage, place: str) -> Iterator[Problem]:
    if stage.kind in {"idle", "cool_down", "dwell"} and stage.loads:
        yield Problem(
            place=f"{place}.loads",
            found="loads in a stage without load",
            expected="no loads, or kind = 'soak'",
        )
    if stage.kind in {"soak", "combined"} and not stage.loads:
        yield Problem(place=f"{place}.loads", found="no load", expected="at least one load, or kind = 'idle'")
    if not 0.02 <= stage.shape.period_s <= 86400:
        yield Problem(
            place=f"{place}.shape.period_s",
            found=f"the number {stage.shape.period_s}",
            expected="a number of seconds from 0.02 to 86400",
        )
    if not 0 < stage.shape.duty < 1:
        yield Problem(
            place=f"{place}.shape.duty",
            found=f"the number {stage.shape.duty}",
            expected="a share above 0 and below 1",
        )


def _load(use: LoadUse, place: str, known: KnownPlugins) -> Iterator[Problem]:
    spec = known.loads.get(use.load)
    if spec is None:
        yield _unknown(f"{place}.load", use.load, known.loads, known)
        return
    if isinstance(use.cores, tuple):
        if not use.cores:
            yield Problem(
                place=f"{place}.cores", found="an empty list", expected="'all', 'one' or CPU numbers"
            )
        for number in use.cores:
            if number < 0:
                yield Problem(
                    place=f"{place}.cores", found=f"the number {number}", expected="CPU numbers of 0 or more"
                )
    yield from param_problems(use.params, spec.params, f"{place}.params")


def _pulse(stage: Stage, use: LoadUse, place: str, known: KnownPlugins) -> Iterator[Problem]:
    """Yield a load that cannot switch finely enough for pulses."""
    spec = known.loads.get(use.load)
    if spec is None or stage.shape.kind != "pulsed" or spec.finest_step_s <= FINEST_PULSED_S:
        return
    fine = sorted(name for name, each in known.loads.items() if each.finest_step_s <= FINEST_PULSED_S)
    yield Problem(
        place=f"{place}.load",
        found=f"'{use.load}' in a pulsed stage: its shortest step is {1000 * spec.finest_step_s:g} ms",
        expected=f"a load with steps of {1000 * FINEST_PULSED_S:g} ms or less: " + ", ".join(fine),
    )


def _unknown(place: str, name: str, names: Mapping[str, object], known: KnownPlugins) -> Problem:
    if name in known.broken:
        return Problem(
            place=place,
            found=f"'{name}', which cannot be used: {known.broken[name]}",
            expected="a usable one",
        )
    return Problem(
        place=place, found=f"the unknown name '{name}'", expected="one of " + ", ".join(sorted(names))
    )


def param_problems(values: Mapping[str, Scalar], specs: tuple[Param, ...], place: str) -> Iterator[Problem]:
    """Yield what is wrong with the parameters given to a load or criterion."""
    by_name = {spec.name: spec for spec in specs}
    for key, value in values.items():
        spec = by_name.get(key)
        if spec is None:
            expected = "one of " + ", ".join(sorted(by_name)) if by_name else "no parameters"
            yield Problem(place=f"{place}.{key}", found="an unknown key", expected=expected)
        elif not _value_fits(value, spec):
            yield Problem(place=f"{place}.{key}", found=_told(value), expected=_wanted(spec))


def _value_fits(value: Scalar, spec: Param) -> bool:
    if isinstance(spec.default, bool) or isinstance(value, bool):
        return isinstance(spec.default, bool) and isinstance(value, bool)
    if isinstance(spec.default, str) or isinstance(value, str):
        right = isinstance(spec.default, str) and isinstance(value, str)
        return right and (not spec.choices or value in spec.choices)
    if isinstance(spec.default, int) and not isinstance(value, int):
        return False
    low_ok = spec.low is None or value >= spec.low
    high_ok = spec.high is None or value <= spec.high
    return low_ok and high_ok and (not spec.choices or value in spec.choices)


def _told(value: Scalar) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"the text '{value}'" if isinstance(value, str) else f"the number {value}"


def _wanted(spec: Param) -> str:
    if spec.choices:
        return "one of " + ", ".join(
            f"'{each}'" if isinstance(each, str) else str(each) for each in spec.choices
        )
    if isinstance(spec.default, bool):
        return "true or false"
    if isinstance(spec.default, str):
        return "text"
    words = "a whole number" if isinstance(spec.default, int) else "a number"
    if spec.low is not None and spec.high is not None:
        return f"{words} from {spec.low:g} to {spec.high:g}"
    return words if spec.low is None else f"{words} of {spec.low:g} or more"


def _uses(uses: tuple[CriterionUse, ...], known: KnownPlugins, place: str, plan: Plan) -> Iterator[Problem]:
    stages = {stage.name for stage in plan.stages}
    for number, use in enumerate(uses, start=1):
        here = f"{place}[{number}]"
        spec = known.criteria.get(use.criterion)
        if spec is None:
            yield _unknown(f"{here}.criterion", use.criterion, known.criteria, known)
            continue
        yield from param_problems(use.params, spec.params, f"{here}.params")
        if use.stage and use.stage not in stages:
            yield Problem(
                place=f"{here}.stage",
                found=f"the unknown stage '{use.stage}'",
                expected="the name of a stage of this plan",
            )


def _waivers(plan: Plan, known: KnownPlugins) -> Iterator[Problem]:
    for number, waiver in enumerate(plan.waivers, start=1):
        place = f"waivers[{number}]"
        spec = known.criteria.get(waiver.criterion)
        if spec is None:
            yield _unknown(f"{place}.criterion", waiver.criterion, known.criteria, known)
        elif spec.safety:
            yield Problem(
                place=f"{place}.criterion",
                found=f"a waiver of '{waiver.criterion}'",
                expected="no waiver: this criterion is a matter of safety",
            )
        if not waiver.reason.strip() or not waiver.by.strip():
            yield Problem(
                place=place, found="an empty reason or name", expected="why it is waived, and who decided"
            )
