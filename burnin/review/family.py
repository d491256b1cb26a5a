"""A build among its sisters: figures that make machines of one family comparable, and where a build stands among them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from burnin.calc.control import Chart, Standing, ewma_chart, individuals_chart, place_among_sisters
from burnin.calc.prediction import Measured, thermal_resistance
from burnin.calc.refusal import Refusal
from burnin.calc.run_facts import StageRun, hot_runs
from burnin.calc.series import Level
from burnin.records.events import InstrumentReading
from burnin.records.view import RunView
from burnin.review.run_figures import RunFigure, run_figures

PER_PACKAGE_WATT: Final = "kelvin_per_package_watt"
PER_WALL_WATT: Final = "kelvin_per_wall_watt"
BASELINE: Final = 8
"""Builds from which the centre and the spread of the slow chart are taken."""


def family_figures(view: RunView) -> tuple[RunFigure, ...]:
    """Return how many kelvin above the room the hottest CPU reading is for each watt, for every hot stage.

    Package power is a model that board and firmware tune: such figures may be compared only between machines of the same
    board and firmware. Power at the wall, where an instrument measured it hot, is comparable between all.
    """
    figures = run_figures(view, off_room=True)
    wall = next(
        (
            one
            for _, one in view.of(InstrumentReading)
            if one.name == "wall_power" and one.moment == "hot" and one.unit == "W"
        ),
        None,
    )
    runs = hot_runs(view)
    found = []
    for run in runs:
        rise = _of_role(view, figures, run, role="cpu_hottest")
        package = _of_role(view, figures, run, role="cpu_power")
        if isinstance(rise, Level) and isinstance(package, Level):
            found += _resistance(run, rise, Measured(value=package.mean, u=package.u), name=PER_PACKAGE_WATT)
        if isinstance(rise, Level) and wall is not None and len(runs) == 1:
            u = (wall.uncertainty or 0.0) / math.sqrt(3)
            found += _resistance(run, rise, Measured(value=wall.value, u=u), name=PER_WALL_WATT)
    return tuple(found)


def _of_role(
    view: RunView, figures: Sequence[RunFigure], run: StageRun, *, role: str
) -> Level | Refusal | None:
    names = {channel.id for channel in view.channels if channel.role == role}
    chosen = [one for one in figures if one.stage == run.span.name and one.name in names]
    if role == "cpu_hottest":
        chosen = [one for one in chosen if one.above_room]
    return chosen[0].level if chosen else None


def _resistance(run: StageRun, rise: Level, power: Measured, *, name: str) -> list[RunFigure]:
    result = thermal_resistance(
        Measured(value=rise.mean, u=rise.u), Measured(value=0.0, u=0.0), power_w=power
    )
    if isinstance(result, Refusal):
        return []
    level = Level(
        mean=result.value,
        u=result.u,
        df=rise.df,
        count=rise.count,
        span_s=rise.span_s,
        batch_correlation=rise.batch_correlation,
    )
    label = "kelvin per watt at the wall" if name == PER_WALL_WATT else "kelvin per watt of the package"
    return [
        RunFigure(
            stage=run.span.name,
            name=name,
            label=label,
            unit="K/W",
            better="lower",
            above_room=True,
            level=level,
        )
    ]


@dataclass(frozen=True, kw_only=True)
class Build:
    """One build's figure, in a row of builds.

    Attributes:
        run_id: The run it is from.
        value: The figure.
    """

    run_id: str
    value: float


@dataclass(frozen=True, kw_only=True)
class FamilyChart:
    """A family's figure over its builds.

    Attributes:
        builds: In order of building.
        singles: Chart of single builds.
        slow: Chart of the weighted mean, which shows small lasting shifts as of a batch of parts: centre and spread from
            the first eight builds, so that it speaks from the ninth on.
        drifting: Ids of the runs at which the weighted mean is beyond its limits.
    """

    builds: tuple[Build, ...]
    singles: Chart | Refusal
    slow: Chart | Refusal
    drifting: tuple[str, ...]


def family_chart(builds: Sequence[Build]) -> FamilyChart:
    """Return the control charts of a figure over builds, or the reason why there are none yet."""
    values = [build.value for build in builds]
    singles = individuals_chart(values)
    if isinstance(singles, Refusal) or len(builds) == BASELINE:
        slow: Chart | Refusal = Refusal(slug="too-few-builds", observed=len(builds), needed=BASELINE + 1)
        return FamilyChart(builds=tuple(builds), singles=singles, slow=slow, drifting=())
    first = individuals_chart(values[:BASELINE])
    assert isinstance(first, Chart)  # eight builds are enough
    sd = (first.upper[0] - first.centre) / 3
    slow = ewma_chart(values[BASELINE:], centre=first.centre, sd=sd)
    drifting = tuple(builds[BASELINE + place - 1].run_id for place in slow.outside if place > 0)
    return FamilyChart(builds=tuple(builds), singles=singles, slow=slow, drifting=drifting)


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A build among its sisters.

    Attributes:
        answer: ``among`` them, ``far_above`` or ``far_below``, or ``unknown`` with few sisters.
        standing: The figures behind it, or why there are none.
    """

    answer: Literal["among", "far_above", "far_below", "unknown"]
    standing: Standing | Refusal


def place_build(value: float, sisters: Sequence[float]) -> Placed:
    """Say where a build stands: far off when it is outside the range in which a further sister is expected (99 %)."""
    standing = place_among_sisters(value, sisters)
    if isinstance(standing, Refusal):
        return Placed(answer="unknown", standing=standing)
    if standing.low <= value <= standing.high:
        return Placed(answer="among", standing=standing)
    return Placed(answer="far_above" if value > standing.high else "far_below", standing=standing)
