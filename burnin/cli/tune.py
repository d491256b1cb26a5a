"""``burnin tune``: a ladder of declared settings, tried rung by rung; what was shown, and which setting to ship."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

from msgspec.structs import replace

from burnin.calc.sequential import RatePlan, hours_to_accept
from burnin.cli.ladder_file import (
    FORMAT,
    AttemptBegun,
    AttemptWithdrawn,
    LadderBegun,
    RungBarred,
    RungDeclared,
    append,
    begin_ladder,
    ladder_path,
    read_ladder,
)
from burnin.cli.screen import quiet_output, say, say_json
from burnin.cli.tune_story import Story, story_json, story_lines, story_of
from burnin.errors import BurninError, InputError
from burnin.records.plan import Plan, Stage
from burnin.review.ladder import Rung, RungState, Setting, next_rung

_SPARE: Final = 1.02
_START_S: Final = 20.0
_SHORTEST_S: Final = 60.0
_MOST_RUNS: Final = 6
_HOT: Final = frozenset({"soak", "combined"})


def tune(options: argparse.Namespace) -> int:
    """Do what was asked of a ladder and return the exit code."""
    path = ladder_path(options.ladder, options.folder)
    match options.action:
        case "new":
            return _new(options, path)
        case "add":
            return _add(options, path)
        case "bar":
            return _bar(options, path)
        case "run":
            return _run(options, path)
        case _:
            return _show(options, path)


def _new(options: argparse.Namespace, path: Path) -> int:
    plan = _checked_plan(options)
    begun = LadderBegun(
        format=FORMAT,
        name=options.ladder,
        good_per_h=plan.good_per_h,
        bad_per_h=plan.bad_per_h,
        risk=plan.reject_good,
        margin=options.margin,
    )
    begin_ladder(path, begun)
    return _show(options, path)


def _checked_plan(options: argparse.Namespace) -> RatePlan:
    try:
        plan = RatePlan(
            good_per_h=options.good_rate,
            bad_per_h=options.bad_rate,
            reject_good=options.risk,
            accept_bad=options.risk,
        )
    except ValueError as error:
        raise InputError(
            f"tune new: {error}; expected 0 < --good-rate < --bad-rate and a --risk above 0 and below 0.5",
            slug="tune-rates",
        ) from None
    if hours_to_accept(plan) > 24 or not 0 <= options.margin <= 20:
        raise InputError(
            f"tune new: found {hours_to_accept(plan):.1f} h for each rung and a margin of {options.margin} rungs; "
            "expected at most 24 h and a margin from 0 to 20",
            slug="tune-rates",
            hint="A higher --bad-rate makes rungs shorter.",
        )
    return plan


def _add(options: argparse.Namespace, path: Path) -> int:
    ladder = read_ladder(path)
    settings = tuple(map(_setting, options.settings))
    if len({setting.key for setting in settings}) != len(settings):
        raise InputError(
            f"tune add: found a key twice in {' '.join(options.settings)}; expected each once",
            slug="tune-setting",
        )
    same = next((rung for rung in ladder.rungs if set(rung.settings) == set(settings)), None)
    if same is not None:
        raise InputError(
            f"tune add: rung {same.number} has these settings already; expected others",
            slug="tune-same",
            hint="A rung that failed stays failed; see: burnin tune show LADDER",
        )
    rung = Rung(
        number=len(ladder.rungs) + 1,
        place=_place(ladder.rungs, options.before),
        settings=settings,
        note=options.note,
    )
    append(path, RungDeclared(rung=rung))
    return _show(options, path)


def _setting(text: str) -> Setting:
    key, equals, rest = text.partition("=")
    value, _, unit = rest.partition(":")
    key, value, unit = key.strip(), value.strip(), unit.strip()
    if not equals or not key or not value:
        raise InputError(
            f"tune add {text}: expected KEY=VALUE or KEY=VALUE:UNIT, for example 'core voltage=1.30:V'",
            slug="tune-setting",
        )
    try:
        return Setting(key=key, value=float(value), unit=unit)
    except ValueError:
        return Setting(key=key, value=value, unit=unit)


def _place(rungs: tuple[Rung, ...], before: int | None) -> float:
    """Return a place at the end of the ladder, or just below the rung ``before``."""
    places = sorted(rung.place for rung in rungs)
    if before is None:
        return places[-1] + 1 if places else 1.0
    above = _known(rungs, before).place
    lower = [place for place in places if place < above]
    return (lower[-1] + above) / 2 if lower else above - 1


def _known(rungs: tuple[Rung, ...], number: int) -> Rung:
    for rung in rungs:
        if rung.number == number:
            return rung
    raise InputError(f"tune: found no rung {number}; expected one from 1 to {len(rungs)}", slug="tune-rung")


def _bar(options: argparse.Namespace, path: Path) -> int:
    _known(read_ladder(path).rungs, options.rung)
    append(path, RungBarred(rung=options.rung, reason=options.reason))
    return _show(options, path)


def _show(options: argparse.Namespace, path: Path) -> int:
    _tell(story_of(path), as_json=options.json)
    return 0


def _tell(story: Story, *, as_json: bool) -> None:
    if as_json:
        say_json(story_json(story))
        return
    for line in story_lines(story):
        say(line)


def _run(options: argparse.Namespace, path: Path) -> int:
    """Try the next rung until the sequential plan has decided; return 0 when it is proven, 1 when it failed, else 3."""
    if not 1 <= options.most_minutes <= 1440:
        raise InputError(
            f"--most-minutes {options.most_minutes:g}: expected a number from 1 to 1440", slug="tune-minutes"
        )
    story = story_of(path)
    state = next_rung(story.states)
    _refuse_unfinished(story)
    if state is None:
        raise InputError(
            "tune run: no rung is left to try",
            slug="tune-done",
            hint="Add one: burnin tune add LADDER KEY=VALUE:UNIT",
        )
    number = state.rung.number
    with quiet_output(to_error=options.json):
        say(f"Rung {number}: {state.rung}")
        say(
            "Set this by hand in the firmware or the tools you use: this program changes no clock, no voltage and no fan."
        )
        for _ in range(_MOST_RUNS):
            ended = _one_run(options, path, story, state)
            story = story_of(path)
            state = next(each for each in story.states if each.rung.number == number)
            if state.standing != "open" or ended not in {"complete", "fault"}:
                break
    _tell(story, as_json=options.json)
    return {"proven": 0, "failed": 1}.get(state.standing, 3)


def _refuse_unfinished(story: Story) -> None:
    left = [trial for trial in story.trials if trial.ended == "unfinished"]
    if left:
        raise InputError(
            f"tune run: run {left[0].run_id} on rung {left[0].rung} was never closed; expected every run closed",
            slug="tune-unfinished",
            hint="Close it first, so that a reset is on record: burnin recover --out DIR",
        )


def _one_run(options: argparse.Namespace, path: Path, story: Story, state: RungState) -> str:
    """Run the screening plan once on a rung; return why the run ended."""
    from burnin.cli.tune_run import make_ready, run_ready

    seconds = max(_SHORTEST_S, min(state.hours_left * 3600 * _SPARE + _START_S, options.most_minutes * 60))
    attempt = story.ladder.last_attempt + 1
    note = f"tuning '{story.ladder.begun.name}', attempt {attempt}, rung {state.rung.number}: {state.rung}"
    ready = make_ready(options, note, lambda plan: screening_plan(plan, seconds))
    begun = AttemptBegun(
        attempt=attempt, rung=state.rung.number, out=str(Path(options.out).resolve()), note=note
    )
    append(path, begun)
    try:
        return run_ready(ready)
    except BurninError as error:
        append(path, AttemptWithdrawn(attempt=attempt, reason=error.message))
        raise


def screening_plan(plan: Plan, seconds: float) -> Plan:
    """Return the plan with its last hot stage made as long as the rung still needs, ending at the first fault.

    Raises:
        InputError: the plan has no hot stage with a load.
    """
    hot = [place for place, stage in enumerate(plan.stages) if stage.kind in _HOT and stage.loads]
    if not hot:
        raise InputError(
            f"tune run: plan '{plan.name}' has no soak or combined stage with a load; expected one",
            slug="tune-plan",
        )
    stages: list[Stage] = list(plan.stages)
    stages[hot[-1]] = replace(
        stages[hot[-1]], duration_s=float(round(seconds)), until="", at_least_s=0.0, at_most_s=0.0
    )
    return replace(plan, stages=tuple(stages), on_fault="stop", first_look=True)
