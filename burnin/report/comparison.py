"""Two runs side by side, for people: a page with overlaid traces, and lines for a terminal. Decides nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.records.findings import Verdict
from burnin.records.view import RunView
from burnin.report.chart import Chart
from burnin.report.comparison_words import ANSWER_WORDS, reason_words
from burnin.report.figures import Shown, clock, decimals_for, local_time, rounded, shown, span, unit_sign
from burnin.report.overlay import common_stages, overlay_charts
from burnin.report.render import render_template
from burnin.report.text import OUTCOME_WORDS, REHEARSAL
from burnin.report.words import counted, plain_name, shortened, shown_text
from burnin.review.machine_changes import MachineChange
from burnin.review.run_comparison import FigureComparison, OutcomeChange, Overall, RunComparison

_LONGEST_VALUE: Final = 160
_NOTHING: Final = "nothing"
HEADINGS: Final[dict[Overall, str]] = {
    "differs": "The runs differ",
    "same": "No difference shown",
    "not_comparable": "Not comparable in full, and no difference shown in the rest",
}
_SHAPES: Final[dict[Overall, str]] = {
    "differs": "rejected",
    "same": "accepted",
    "not_comparable": "inconclusive",
}
_HOW: Final = {
    "changed": "changed",
    "added": "added",
    "removed": "gone",
    "now_known": "read in the second run only",
    "now_unknown": "read in the first run only",
}


@dataclass(frozen=True, kw_only=True)
class Side:
    """One of the two runs."""

    name: str
    run_id: str
    began: str
    length: str
    verdict: str
    plan: str
    note: str
    journal_head: str


@dataclass(frozen=True, kw_only=True)
class ChangeRow:
    """One change of the machine."""

    part: str
    before: str
    after: str
    how: str


@dataclass(frozen=True, kw_only=True)
class FigureRow:
    """One figure in both runs."""

    stage: str
    label: str
    unit: str
    before: Shown
    after: Shown
    difference: Shown
    interval: str
    answer: str
    shape: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class OutcomeRow:
    """One judgement that came out differently."""

    criterion: str
    about: str
    before: str
    after: str


@dataclass(frozen=True, kw_only=True)
class ComparisonPage:
    """The comparison, ready to print."""

    title: str
    rehearsal: str
    workshop: str
    standing: str
    heading: str
    reasons: tuple[str, ...]
    sides: tuple[Side, Side]
    changes: tuple[ChangeRow, ...]
    figures: tuple[FigureRow, ...]
    outcomes: tuple[OutcomeRow, ...]
    charts: tuple[Chart, ...]
    stages: tuple[tuple[int, str], ...]
    method: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Compared:
    """Everything a comparison is told from.

    Attributes:
        views: The first run and the second one.
        verdicts: Their verdicts.
        comparison: The comparison.
        outcomes: Judgements that came out differently.
        overall: What it comes to.
    """

    views: tuple[RunView, RunView]
    verdicts: tuple[Verdict, Verdict]
    comparison: RunComparison
    outcomes: tuple[OutcomeChange, ...]
    overall: Overall


def comparison_page(compared: Compared) -> ComparisonPage:
    """Return the comparison as values."""
    before, after = compared.views
    comparison = compared.comparison
    rehearsal = REHEARSAL if before.opened.rehearsal or after.opened.rehearsal else ""
    stages = tuple(
        (number, shown_text(first.name))
        for number, (first, _) in enumerate(common_stages(before, after), start=1)
    )
    return ComparisonPage(
        title=shortened(f"Comparison of run {after.opened.run_id} with run {before.opened.run_id}", 120),
        rehearsal=rehearsal,
        workshop=shown_text(after.opened.workshop.name),
        standing=_SHAPES[compared.overall],
        heading=HEADINGS[compared.overall],
        reasons=summary(compared),
        sides=(
            _side("First run", before, compared.verdicts[0]),
            _side("Second run", after, compared.verdicts[1]),
        ),
        changes=tuple(map(_change_row, comparison.machine)),
        figures=tuple(map(_figure_row, comparison.figures)),
        outcomes=tuple(map(_outcome_row, compared.outcomes)),
        charts=overlay_charts(before, after),
        stages=stages,
        method=_method(comparison),
    )


def render_comparison(compared: Compared) -> bytes:
    """Return the comparison as one self-contained HTML file, UTF-8."""
    page = comparison_page(compared)
    footer = f"Run {page.sides[1].run_id} beside {page.sides[0].run_id}"
    return render_template("comparison.html.j2", footer, rehearsal=page.rehearsal, page=page)


def summary(compared: Compared) -> tuple[str, ...]:
    """Return what the comparison comes to in a few sentences."""
    figures, after = compared.comparison.figures, compared.views[1]
    lines = []
    if after.opened.retest_of == compared.views[0].opened.run_id:
        note = shown_text(after.opened.note)
        lines.append(f"Re-tested after: {note}." if note else "Re-tested without a stated change.")
    for answer in ("worse", "better", "higher", "lower"):
        lines += [_difference_sentence(one) for one in figures if one.answer == answer]
    alike = sum(one.answer == "no_difference_shown" for one in figures)
    open_ones = sum(one.answer == "not_comparable" for one in figures)
    if alike:
        lines.append(f"{counted(alike, 'figure')} without a difference that is more than noise.")
    if open_ones:
        lines.append(f"{counted(open_ones, 'figure')} not comparable; the table says why.")
    if not figures:
        lines.append("The first run has no figures: no stage was hot.")
    changed = sum(one.how in {"changed", "added", "removed"} for one in compared.comparison.machine)
    lines.append(
        f"{counted(changed, 'change')} in the machine, {counted(len(compared.outcomes), 'judgement')} came out differently."
    )
    return tuple(lines)


def comparison_lines(compared: Compared) -> tuple[str, ...]:
    """Return the comparison as lines for a terminal."""
    page_sides = [
        _side("First run", compared.views[0], compared.verdicts[0]),
        _side("Second run", compared.views[1], compared.verdicts[1]),
    ]
    lines = [HEADINGS[compared.overall], *(f"  {line}" for line in summary(compared)), ""]
    lines += [f"{side.name}: {side.run_id}, began {side.began}, {side.verdict}" for side in page_sides]
    rows = [("stage", "figure", "before", "after", "difference", "95 % interval", "")]
    for one in map(_figure_row, compared.comparison.figures):
        label = f"{one.label} ({one.unit})" if one.unit else one.label
        last = one.answer + (f": {one.reason}" if one.reason else "")
        rows.append(
            (one.stage, label, one.before.text, one.after.text, one.difference.text, one.interval, last)
        )
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    lines += [
        "",
        *(
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
            for row in rows
        ),
    ]
    lines += [
        f"Machine, {one.part}: {one.before} -> {one.after} ({one.how})"
        for one in map(_change_row, compared.comparison.machine)
    ]
    lines += [
        f"Judgement, {one.criterion}{one.about and ' ('}{one.about}{one.about and ')'}: {one.before} -> {one.after}"
        for one in map(_outcome_row, compared.outcomes)
    ]
    return (*lines, "", *_method(compared.comparison))


def _difference_sentence(one: FigureComparison) -> str:
    row = _figure_row(one)
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.label}, {row.stage}: {row.difference.text}{unit} ({row.interval}{unit}), {row.answer}."


def _side(name: str, view: RunView, verdict: Verdict) -> Side:
    opened = view.opened
    return Side(
        name=name,
        run_id=shown_text(opened.run_id),
        began=clock(local_time(opened.anchor)),
        length=span(view.end_ns / 1e9),
        verdict=verdict.standing,
        plan=shown_text(opened.plan.title),
        note=shown_text(opened.note),
        journal_head=view.integrity.head_sha256,
    )


def _change_row(change: MachineChange) -> ChangeRow:
    place = ", ".join(
        shown_text(part) for part in (plain_name(change.part), change.item, plain_name(change.field)) if part
    )
    return ChangeRow(
        part=place, before=_value(change.before), after=_value(change.after), how=_HOW[change.how]
    )


def _value(value: object) -> str:
    return _NOTHING if value is None else shortened(str(value), _LONGEST_VALUE) or _NOTHING


def _figure_row(one: FigureComparison) -> FigureRow:
    decimals = decimals_for(one.unit, one.before, one.after, one.difference)
    known = one.low is not None and one.high is not None
    interval = f"{_signed(one.low, decimals)} to {_signed(one.high, decimals)}" if known else ""
    difference = shown(one.difference, decimals)
    if one.difference is not None:
        difference = Shown(text=_signed(one.difference, decimals), exact=difference.exact)
    return FigureRow(
        stage=shown_text(one.stage),
        label=shown_text(one.label) + (" above the room" if one.above_room else ""),
        unit=unit_sign(one.unit),
        before=shown(one.before, decimals),
        after=shown(one.after, decimals),
        difference=difference,
        interval=interval,
        answer=ANSWER_WORDS[one.answer],
        shape={"better": "pass", "worse": "fail", "not_comparable": "inconclusive"}.get(
            one.answer, "not_applicable"
        ),
        reason=reason_words(one.reason) if one.reason else "",
    )


def _signed(value: float | None, decimals: int | None) -> str:
    text = rounded(value or 0.0, decimals)
    return text if text.startswith("\u2212") or not float(text.replace("\u2212", "-")) else f"+{text}"


def _outcome_row(change: OutcomeChange) -> OutcomeRow:
    about = ", ".join(
        part
        for part in (shown_text(change.subject), change.stage and f"stage {shown_text(change.stage)}")
        if part
    )
    return OutcomeRow(
        criterion=plain_name(change.criterion),
        about=about,
        before=OUTCOME_WORDS[change.before] if change.before else "not asked",
        after=OUTCOME_WORDS[change.after] if change.after else "not asked",
    )


def _method(comparison: RunComparison) -> tuple[str, ...]:
    lines = [
        (
            "A figure is the mean over the second half of a hot stage; what one trace says of its own mean comes from "
            "batch means, which allow for readings that resemble their neighbours."
        ),
        (
            "How far a figure moves between runs of an unchanged machine comes from repeated runs (ISO 5725-2 calls it "
            "repeatability); without it nothing is compared. Intervals hold 95 % for one figure; better, worse, higher and lower "
            "are said only where they hold for all figures together (Holm 1979)."
        ),
    ]
    known = [one for one in comparison.figures if one.spread is not None and one.spread_df is not None]
    for source, words in (
        ("runs", "runs of this machine"),
        ("records", "repeated runs of its family on record"),
    ):
        chosen = [one for one in known if one.spread_from == source]
        if chosen:
            fewest = min(one.spread_df or 0.0 for one in chosen)
            lines.append(
                f"Repeatability of {counted(len(chosen), 'figure')} from {words}, {fewest:.0f} degrees of freedom or more."
            )
    if any(one.above_room for one in comparison.figures):
        lines.append("Temperatures are compared above the room, which all runs measured.")
    elif any(one.unit == "degC" for one in comparison.figures):
        lines.append(
            "Temperatures are compared as read: the room was not measured in all runs, so a warmer room looks like a warmer machine."
        )
    if comparison.plans_differ:
        lines.append(
            f"Stages that are not the same in both plans: {', '.join(shown_text(name) for name in comparison.plans_differ)}."
        )
    return tuple(lines)
