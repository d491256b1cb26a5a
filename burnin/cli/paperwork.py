"""From options to checklist, order, workshop, answers and cautions."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Final

from burnin.cli.screen import say
from burnin.criteria.order_match import READABLE
from burnin.errors import InputError
from burnin.plan.loader import DEFAULT_CHECKLIST, load_checklist, load_order, load_workshop
from burnin.records.codec import from_json, to_json
from burnin.records.events import CautionsAnswered
from burnin.records.paperwork import Answer, Checklist, Order, Workshop

CAUTIONS: Final = (
    "Parts beyond their ratings can overheat or fail: over-temperature and over-voltage destroy hardware.",
    "A leaking coolant loop near mains voltage is a danger to life: finish the leak test, dry, before power is on.",
    "Never leave a first soak unattended. Know where the mains switch is.",
    "Mains work is for qualified people only. Local codes and the parts' own limits come before anything printed here.",
    (
        "Loads stop when a temperature limit trips, when a safety sensor goes quiet or when this program dies; "
        "what has no sensor cannot be watched."
    ),
)


def config_folder() -> Path:
    """Return the folder of this user's settings."""
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "burnin"


def checklist_of(options: argparse.Namespace, *, default: bool = True) -> Checklist | None:
    """Return the checklist asked for, the default one when none is."""
    if options.checklist:
        return load_checklist(options.checklist)
    return load_checklist(DEFAULT_CHECKLIST) if default else None


def order_of(options: argparse.Namespace) -> Order | None:
    """Return the order sheet asked for."""
    return load_order(options.order) if options.order else None


def workshop_of(options: argparse.Namespace) -> Workshop:
    """Return who tests: the file asked for, else the user's own, else nobody."""
    if options.workshop:
        return load_workshop(Path(options.workshop))
    own = config_folder() / "workshop.toml"
    return load_workshop(own) if own.exists() else Workshop()


def answers_of(
    options: argparse.Namespace, checklist: Checklist | None, order: Order | None = None
) -> tuple[Answer, ...]:
    """Return the operator's answers to lines of the checklist and to parts ordered that software cannot read.

    Raises:
        InputError: an answer names no line of the checklist and no such part, or is neither yes nor no.
    """
    known = [line.id for line in checklist.lines] if checklist else []
    parts = [part.part for part in order.parts] if order else []
    known += [part for part in dict.fromkeys(parts) if part not in READABLE and part not in known]
    return tuple(parse_answer(text, known) for text in options.answer)


def parse_answer(text: str, known: list[str]) -> Answer:
    """Return the answer that ``text`` (``LINE=yes|no[:REMARK]``) tells to one of the points known.

    Raises:
        InputError: it names another point, or is neither yes nor no.
    """
    line, _, rest = text.partition("=")
    word, _, remark = rest.partition(":")
    if line not in known:
        expected = ", ".join(known) or "no answer: there is no checklist"
        raise InputError(
            f"--answer {text}: found no checklist line '{line}' and no such part of the order; expected one of {expected}",
            slug="answer-line",
        )
    if word == "yes":
        return Answer(line=line, answer="yes", remark=remark)
    if word == "no":
        return Answer(line=line, answer="no", remark=remark)
    raise InputError(
        f"--answer {text}: found '{word}' after '='; expected yes or no, then :REMARK", slug="answer-word"
    )


def answer_cautions(options: argparse.Namespace, workshop: Workshop) -> CautionsAnswered:
    """Show the cautions and get them answered, once per workshop.

    Raises:
        InputError: nobody is there to answer.
    """
    say("Before the first load:")
    for caution in CAUTIONS:
        say(f"  - {caution}")
    if options.yes:
        return CautionsAnswered(how="option")
    if _remembered(workshop):
        return CautionsAnswered(how="remembered")
    if not sys.stdin.isatty():
        raise InputError(
            "the cautions have not been answered and no terminal is there to ask",
            slug="cautions",
            hint="Read the cautions above and add --yes.",
        )
    say("Type yes when you have read them and the machine is safe to load:")
    if sys.stdin.readline().strip().lower() != "yes":
        raise InputError("the cautions were not accepted; no load was started", slug="cautions")
    _remember(workshop)
    return CautionsAnswered(how="asked")


def _memory() -> Path:
    return config_folder() / "cautions-accepted.json"


def _remembered(workshop: Workshop) -> bool:
    try:
        return workshop.name in from_json(_memory().read_bytes(), list[str])
    except (OSError, ValueError):
        return False


def _remember(workshop: Workshop) -> None:
    try:
        names = from_json(_memory().read_bytes(), list[str])
    except (OSError, ValueError):
        names = []
    try:
        _memory().parent.mkdir(parents=True, exist_ok=True)
        _memory().write_bytes(to_json([*names, workshop.name]))
    except OSError:
        say("(This answer could not be kept; it will be asked again.)")
