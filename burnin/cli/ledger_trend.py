"""``burnin ledger trend``: a figure over runs and builds, control charts of a family, a build among its sisters."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any, Final

from burnin.calc.control import Chart, Standing
from burnin.calc.refusal import Refusal
from burnin.cli.ledger import columns
from burnin.cli.ledger_place import open_ledger
from burnin.cli.screen import say, say_json
from burnin.errors import InputError
from burnin.ledger.database import Database
from burnin.ledger.queries import Point, figure_names, one_per_machine, read_entry, run_ids_beginning, series
from burnin.ledger.rows import RunRow
from burnin.report.comparison_words import reason_words
from burnin.report.figures import figure, significant
from burnin.report.words import shown_text
from burnin.review.family import PER_PACKAGE_WATT, Build, FamilyChart, Placed, family_chart, place_build

_MOST_SHOWN: Final = 60


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """Which figure, and of whose family."""

    stage: str
    name: str
    label: str
    unit: str
    like: RunRow | None

    @property
    def same_board(self) -> bool:
        """Whether only machines of the same board and firmware compare: package power is a model they tune."""
        return self.name == PER_PACKAGE_WATT and self.like is not None


def trend(options: argparse.Namespace) -> int:
    """Show a figure's course; return 1 when a build or its family is out of its limits, 3 when few builds say nothing."""
    ledger = open_ledger(options.url)
    try:
        if not options.figure:
            return _list_figures(ledger.database, as_json=options.json)
        like = _run(ledger.database, options.like) if options.like else None
        asked = _asked(ledger.database, options, like)
        points = series(
            ledger.database,
            asked.name,
            stage=asked.stage,
            unit=asked.unit,
            like=like,
            same_board=asked.same_board,
        )
    finally:
        ledger.close()
    builds = one_per_machine(points)
    if like is not None:
        builds = tuple(point for point in builds if not _is_same(point, like))
    chart = family_chart([Build(run_id=point.run_id, value=point.value) for point in builds])
    placed = _placed(points, builds, like)
    if options.json:
        say_json(_as_json(asked, builds, chart, placed))
    else:
        for line in _as_text(asked, builds, chart, placed):
            say(line)
    return _exit_code(chart, placed)


def _is_same(point: Point, run: RunRow) -> bool:
    same_serial = bool(run.serial) and point.serial == run.serial
    same_digest = bool(run.machine_sha256) and point.machine_sha256 == run.machine_sha256
    return point.run_id == run.run_id or same_serial or same_digest


def _placed(points: tuple[Point, ...], builds: tuple[Point, ...], like: RunRow | None) -> Placed | None:
    if like is None:
        return None
    own = [point.value for point in points if point.run_id == like.run_id]
    if not (like.cpu and like.cooler and like.housing):
        return Placed(answer="unknown", standing=Refusal(slug="family-unknown"))
    if not own:
        return Placed(answer="unknown", standing=Refusal(slug="no-value"))
    return place_build(own[0], [point.value for point in builds])


def _exit_code(chart: FamilyChart, placed: Placed | None) -> int:
    if placed is None:
        return 1 if chart.drifting else 0
    if placed.answer == "unknown":
        return 3
    return 0 if placed.answer == "among" else 1


def _run(database: Database, name: str) -> RunRow:
    ids = run_ids_beginning(database, name)
    ids = (name,) if name in ids else ids
    entry = read_entry(database, ids[0]) if len(ids) == 1 else None
    if entry is None:
        raise InputError(
            f"--like {name}: found {len(ids)} runs on record of that id; expected one",
            slug="ledger-no-run",
            hint="Run: burnin ledger list",
        )
    return entry.run


def _asked(database: Database, options: argparse.Namespace, like: RunRow | None) -> _Asked:
    known = [
        one
        for one in figure_names(database, options.figure)
        if (options.stage in {None, one[0]}) and (options.unit in {None, one[3]})
    ]
    if len(known) != 1:
        found = (
            ", ".join(f"'{name}' of stage '{stage}' in {unit}" for stage, name, _, unit, _ in known[:6])
            or "none"
        )
        raise InputError(
            f"ledger trend {options.figure}: found {found}; expected one figure",
            slug="ledger-figure",
            hint="Name stage and unit with --stage and --unit. Figures on record: burnin ledger trend",
        )
    stage, name, label, unit, _ = known[0]
    return _Asked(stage=stage, name=name, label=label, unit=unit, like=like)


def _list_figures(database: Database, *, as_json: bool) -> int:
    names = figure_names(database)
    if as_json:
        keys = ("stage", "name", "label", "unit", "runs")
        say_json({"figures": [dict(zip(keys, one, strict=True)) for one in names]})
        return 0
    rows = [
        ("stage", "figure", "called", "unit", "runs"),
        *(tuple(shown_text(str(cell)) for cell in one) for one in names),
    ]
    for line in columns(rows):
        say(line)
    return 0


def _as_json(
    asked: _Asked, builds: tuple[Point, ...], chart: FamilyChart, placed: Placed | None
) -> dict[str, Any]:
    return {
        "figure": asked.name,
        "stage": asked.stage,
        "unit": asked.unit,
        "like": asked.like.run_id if asked.like else None,
        "same_board_only": asked.same_board,
        "builds": [
            {"run_id": point.run_id, "began_ns": point.began_ns, "value": point.value} for point in builds
        ],
        "singles": _chart_json(chart.singles),
        "weighted_mean": _chart_json(chart.slow),
        "drifting": list(chart.drifting),
        "placed": None if placed is None else {"answer": placed.answer, **_standing_json(placed.standing)},
    }


def _chart_json(chart: Chart | Refusal) -> dict[str, Any]:
    return {"reason": chart.slug} if isinstance(chart, Refusal) else vars(chart)


def _standing_json(standing: Standing | Refusal) -> dict[str, Any]:
    return {"reason": standing.slug} if isinstance(standing, Refusal) else vars(standing)


def _as_text(
    asked: _Asked, builds: tuple[Point, ...], chart: FamilyChart, placed: Placed | None
) -> list[str]:
    lines = [
        f"{shown_text(asked.label)} ({shown_text(asked.name)}), stage '{shown_text(asked.stage)}', {len(builds)} builds"
    ]
    if asked.same_board:
        lines.append("Only machines of the same board and firmware: package power is a model that both tune.")
    singles = chart.singles
    outside = set() if isinstance(singles, Refusal) else set(singles.outside)
    first = max(0, len(builds) - _MOST_SHOWN)
    for place, point in enumerate(builds[first:], start=first):
        marks = " outside the limits of single builds" * (place in outside)
        marks += " weighted mean beyond its limits" * (point.run_id in chart.drifting)
        lines.append(f"  {shown_text(point.run_id)}  {figure(point.value, point.unit)}{marks}")
    if isinstance(singles, Refusal):
        lines.append(f"No limits: {reason_words(singles.slug, singles.observed, singles.needed)}.")
    else:
        lines.append(
            f"Centre {figure(singles.centre, asked.unit)}, limits of single builds {figure(singles.lower[0], asked.unit)} "
            f"to {figure(singles.upper[0], asked.unit)} (moving range)."
        )
        lines.append(_drift_line(chart))
    return lines + _placed_lines(asked, placed)


def _drift_line(chart: FamilyChart) -> str:
    if isinstance(chart.slow, Refusal):
        return f"No chart of the weighted mean: {reason_words(chart.slow.slug, chart.slow.observed, chart.slow.needed)}."
    if not chart.drifting:
        return "The weighted mean (weight 0.2, limits from the first eight builds) stays within its limits."
    return f"DRIFT: the weighted mean is beyond its limits from run {chart.drifting[0]} on: look for a change of parts there."


def _placed_lines(asked: _Asked, placed: Placed | None) -> list[str]:
    if placed is None:
        return []
    standing = placed.standing
    if isinstance(standing, Refusal):
        return [
            f"Not placed among its sisters: {reason_words(standing.slug, standing.observed, standing.needed)}."
        ]
    way = "above" if standing.distance_sd > 0 else "below"
    sentence = (
        f"{significant(abs(standing.distance_sd))} standard deviations {way} the mean of its {standing.sisters} sisters; a further "
        f"sister is expected between {figure(standing.low, asked.unit)} and {figure(standing.high, asked.unit)} (99 %)"
    )
    if placed.answer == "among":
        return [f"Among its sisters: {sentence}."]
    warm = placed.answer == "far_above" and asked.unit in {"K/W", "K", "degC"}
    return [f"FAR OFF: {sentence}.{' Check how the cooler sits, its flow and its fans.' if warm else ''}"]
