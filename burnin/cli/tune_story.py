"""What a ladder has shown so far: its file and the journals of its runs, folded together and told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import msgspec

from burnin.calc.sequential import RatePlan, hours_to_accept, true_risks
from burnin.cli.ladder_file import AttemptBegun, Ladder, read_ladder
from burnin.cli.ledger import columns
from burnin.cli.named_run import runs_under
from burnin.cli.outcome import JOURNAL
from burnin.errors import BurninError
from burnin.journal.reader import JournalReader, open_journal, read_run
from burnin.records.events import RunOpened
from burnin.report.figures import figure, significant
from burnin.report.words import shown_text
from burnin.review.ladder import (
    FrontierRow,
    KeyMargin,
    Proposal,
    RungState,
    Trial,
    frontier_row,
    proposal_of,
    rung_states,
    trial_of,
    with_frontier,
)

_BECAUSE: Final = {
    "reset": "the machine was reset",
    "lost": "the machine went down before the run was on record, or the record is gone",
    "safety": "stopped for safety",
    "faults": "too many wrong results for its time",
    "barred": "ruled out by the operator",
}
_STANDINGS: Final = {
    "untried": "not tried yet",
    "open": "not decided yet",
    "proven": "proven",
    "failed": "FAILED",
    "beyond": "not offered: above a failed rung",
}


@dataclass(frozen=True, kw_only=True)
class Story:
    """A ladder with all that its runs showed.

    Attributes:
        ladder: Its file.
        trials: What each run showed.
        states: State of each rung, from the mildest to the boldest.
        frontier: What each rung costs and gives.
        proposal: The setting to ship.
    """

    ladder: Ladder
    trials: tuple[Trial, ...]
    states: tuple[RungState, ...]
    frontier: tuple[FrontierRow, ...]
    proposal: Proposal


def story_of(path: Path) -> Story:
    """Return what a ladder has shown so far.

    Raises:
        InputError: there is no such ladder.
    """
    ladder = read_ladder(path)
    found = _journals(ladder.attempts)
    trials = []
    rows: dict[int, FrontierRow] = {}
    for attempt in ladder.attempts:
        journal = found.get(attempt.note)
        if journal is None:
            trials.append(Trial(rung=attempt.rung, run_id="", ended="lost"))
            continue
        view = read_run(journal)
        trials.append(trial_of(view, attempt.rung))
        rows[attempt.rung] = frontier_row(attempt.rung, view)
    states = rung_states(ladder.rungs, trials, ladder.begun.plan, barred=ladder.barred)
    proven = frozenset(state.rung.number for state in states if state.standing == "proven")
    return Story(
        ladder=ladder,
        trials=tuple(trials),
        states=states,
        frontier=with_frontier(tuple(rows[number] for number in sorted(rows)), proven),
        proposal=proposal_of(states, margin=ladder.begun.margin),
    )


def _journals(attempts: Sequence[AttemptBegun]) -> dict[str, Path]:
    """Return where the runs of the attempts are, by their notes."""
    notes = {attempt.note for attempt in attempts}
    found = {}
    for out in dict.fromkeys(attempt.out for attempt in attempts):
        if Path(out).is_dir():
            for run in runs_under(Path(out)):
                note = _note_of(run)
                if note in notes:
                    found[note] = run / JOURNAL
    return found


def _note_of(run: Path) -> str:
    """Return a run's note, from its first line alone; empty where it cannot be read."""
    try:
        with open_journal(run) as stream:
            first = next(iter(JournalReader(stream)), None)
    except BurninError:
        return ""
    return first.event.note if first is not None and isinstance(first.event, RunOpened) else ""


def story_json(story: Story) -> dict[str, Any]:
    """Return a ladder for programs."""
    plan = story.ladder.begun.plan
    good, bad = true_risks(plan, plan.good_per_h), true_risks(plan, plan.bad_per_h)
    proposal = story.proposal
    return {
        "ladder": story.ladder.begun.name,
        "margin_rungs": story.ladder.begun.margin,
        "sequential_plan": {
            "good_per_h": plan.good_per_h,
            "bad_per_h": plan.bad_per_h,
            "nominal_risk": plan.reject_good,
            "true_risk_of_rejecting_good": 1 - good.accept,
            "true_risk_of_accepting_bad": bad.accept,
            "hours_without_a_fault": hours_to_accept(plan),
        },
        "rungs": [_state_json(state) for state in story.states],
        "trials": [msgspec.structs.asdict(trial) for trial in story.trials],
        "frontier": [vars(row) for row in story.frontier],
        "proposal": {
            "rung": proposal.rung.number if proposal.rung else None,
            "reason": proposal.reason,
            "last_proven": proposal.last_proven.number if proposal.last_proven else None,
            "first_failed": proposal.first_failed.number if proposal.first_failed else None,
            "margins": [vars(margin) for margin in proposal.margins],
        },
        "torn_line_left_out": story.ladder.torn,
    }


def _state_json(state: RungState) -> dict[str, Any]:
    return {
        "rung": state.rung.number,
        "settings": [msgspec.structs.asdict(setting) for setting in state.rung.settings],
        "note": state.rung.note,
        "standing": state.standing,
        "because": state.because,
        "hours": state.hours,
        "faults": state.faults,
        "runs": list(state.runs),
        "hours_left": state.hours_left,
    }


def story_lines(story: Story) -> list[str]:
    """Return a ladder as lines for people."""
    lines = [f"Ladder '{story.ladder.begun.name}', from the mildest rung to the boldest"]
    rows: list[tuple[str, ...]] = [("rung", "settings", "standing", "at work", "faults")]
    rows += [_state_row(story, state) for state in story.states]
    lines += [f"  {line}" for line in columns(rows)]
    lines += _frontier_lines(story.frontier)
    lines += _proposal_lines(story.proposal)
    lines += risks_text(story.ladder.begun.plan)
    if story.ladder.torn:
        lines.append(
            "A line of the ladder's file was torn by a power cut and is left out; nothing had begun after it."
        )
    return lines


def _state_row(story: Story, state: RungState) -> tuple[str, ...]:
    standing = _STANDINGS[state.standing]
    if state.because:
        reason = story.ladder.barred.get(state.rung.number, "") if state.because == "barred" else ""
        standing += f": {_BECAUSE[state.because]}{reason and ', '}{shown_text(reason)}"
    if state.standing == "open":
        standing += f", {state.hours_left * 60:.0f} min to go"
    return (
        str(state.rung.number),
        shown_text(str(state.rung)),
        standing,
        f"{state.hours * 60:.0f} min",
        str(state.faults),
    )


def _frontier_lines(rows: Sequence[FrontierRow]) -> list[str]:
    known = [row for row in rows if row.rate is not None or row.temp is not None or row.power_w is not None]
    if not known:
        return []
    cells = [("rung", "rate", "CPU", "CPU power", "")]
    for row in known:
        rate = "unknown" if row.rate is None else f"{significant(row.rate)} {shown_text(row.rate_unit)}"
        temp = figure(row.temp, row.temp_unit) + (" above the room" if row.temp_unit == "K" else "")
        mark = "no proven rung is better in all" if row.on_frontier else ""
        cells.append((str(row.rung), rate, temp, figure(row.power_w, "W"), mark))
    return ["What a rung gives and costs", *(f"  {line}" for line in columns(cells))]


def _proposal_lines(proposal: Proposal) -> list[str]:
    if proposal.rung is None:
        if proposal.reason == "nothing-proven":
            return ["No proposal yet: no rung below the first failed one is proven."]
        return ["No proposal: there is no proven rung so far below the boldest proven one; add milder rungs."]
    lines = [f"To ship: rung {proposal.rung.number}, {shown_text(str(proposal.rung))}"]
    lines += [f"  {_margin_text(margin)}" for margin in proposal.margins]
    if proposal.first_failed is None:
        lines.append(
            "  Nothing failed on this ladder: how far failure is, is not known beyond its boldest rung."
        )
    return [
        *lines,
        "  A short screening accepts nothing: set it, then run the full soak: burnin accept --plan one-night",
    ]


def _margin_text(margin: KeyMargin) -> str:
    unit = f" {shown_text(margin.unit)}".rstrip()
    least = significant(abs(margin.proven - margin.shipped))
    text = (
        f"{shown_text(margin.key)}: {significant(margin.shipped)}{unit}, at least {least}{unit} from failing"
    )
    if margin.failed is None:
        return text
    return f"{text}, at most {significant(abs(margin.failed - margin.shipped))}{unit} (failed at {significant(margin.failed)}{unit})"


def risks_text(plan: RatePlan) -> tuple[str, ...]:
    """Return the sequential plan with its risks, nominal and true."""
    good, bad = true_risks(plan, plan.good_per_h), true_risks(plan, plan.bad_per_h)
    return (
        f"A rung runs {hours_to_accept(plan) * 60:.0f} min without a fault, longer with one (Wald's sequential test for a rate).",
        f"Of good rungs ({plan.good_per_h:g} faults an hour) {100 * (1 - good.accept):.1f} % are rejected, nominally {100 * plan.reject_good:g} %;",
        f"of bad ones ({plan.bad_per_h:g} an hour) {100 * bad.accept:.1f} % are accepted, nominally {100 * plan.accept_bad:g} %.",
    )
