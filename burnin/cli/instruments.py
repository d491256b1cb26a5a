"""What no PC can read about itself: instrument readings and the leak hold, by option or asked on a terminal."""

from __future__ import annotations

import argparse
import re
import sys
import threading
from collections.abc import Callable
from datetime import date, datetime
from typing import Final

from burnin.calc.liquid_cooling import liquid_cooled
from burnin.cli.screen import aside, say
from burnin.engine.asides import OperatorAside
from burnin.errors import InputError
from burnin.records.channels import UNITS
from burnin.records.events import InstrumentReading, LeakHold
from burnin.records.paperwork import Order
from burnin.records.plan import Plan

READING: Final = "NAME=VALUE:UNIT[:INSTRUMENT[:UNCERTAINTY[:PLACE[:CALIBRATED]]]]"
LEAK_HOLD: Final = "START;END;DRY_AT;WHO"

KNOWN: Final = {
    "room": "degC",
    "inlet": "degC",
    "plug": "degC",
    "wall_power": "W",
    "noise": "dB",
    "coolant_level": "mm",
}
"""Names with a fixed unit; any other name may have any unit of :data:`burnin.records.channels.UNITS`."""

_ASKED: Final = {
    "room": "Room temperature in degC",
    "inlet": "Air before the radiator or at the case's inlet in degC",
    "wall_power": "Power at the wall in W",
}
_NAME: Final = re.compile(r"[a-z][a-z0-9_]{0,39}")
_MOST_FIELDS: Final = 6
_AIR_C: Final = (-20.0, 60.0)


def readings_of(options: argparse.Namespace, plan: Plan) -> tuple[InstrumentReading, ...]:
    """Return the readings given by option and, where the plan asks and a terminal is there, those asked for now.

    Raises:
        InputError: a reading has not the form, a value out of range or another unit than its name has.
    """
    given = tuple(parse_reading(text) for text in options.reading)
    if not (plan.ask_readings and sys.stdin.isatty()):
        return given
    names = {reading.name for reading in given}
    say("Readings of instruments, each as VALUE or VALUE:UNIT:INSTRUMENT:UNCERTAINTY; Enter leaves one out.")
    return given + tuple(
        reading
        for name, question in _ASKED.items()
        if name not in names and (reading := _ask(name, question)) is not None
    )


def _ask(name: str, question: str) -> InstrumentReading | None:
    while True:
        say(f"  {question}:")
        line = sys.stdin.readline()
        text = line.strip()
        if not text:
            return None
        try:
            return parse_reading(f"{name}={text}", moment="start")
        except InputError as error:
            say(f"  {error.message}")


def parse_reading(text: str, *, moment: str = "given") -> InstrumentReading:
    """Return the reading that ``text`` tells; a name with a fixed unit needs none.

    Raises:
        InputError: as above.
    """
    name, _, rest = text.partition("=")
    fields = [field.strip() for field in rest.split(":")]
    if not _NAME.fullmatch(name) or len(fields) > _MOST_FIELDS or not fields[0]:
        raise _bad(text, "no reading of that form", READING)
    fields += [""] * (_MOST_FIELDS - len(fields))
    return InstrumentReading(
        name=name,
        value=_value(text, name, fields[0]),
        unit=_unit(text, name, fields[1]),
        instrument=fields[2],
        uncertainty=_uncertainty(text, fields[3]),
        place=fields[4],
        calibrated=_date(text, fields[5]),
        moment=moment,
    )


def _bad(text: str, found: str, expected: str) -> InputError:
    return InputError(f"--reading {text}: found {found}; expected {expected}", slug="reading")


def _number(text: str, word: str) -> float:
    try:
        value = float(word)
    except ValueError:
        raise _bad(text, f"'{word}'", "a number, with a point for decimals") from None
    if not abs(value) < 1e9:
        raise _bad(text, f"'{word}'", "a number that can be measured")
    return value


def _value(text: str, name: str, word: str) -> float:
    value = _number(text, word)
    low, high = _AIR_C
    if name in {"room", "inlet"} and not low <= value <= high:
        raise _bad(text, f"{value:g}", f"air of {low:g} to {high:g} degC")
    return value


def _unit(text: str, name: str, word: str) -> str:
    known = KNOWN.get(name)
    if known and word in {"", known}:
        return known
    units = [known] if known else sorted(set(UNITS.values()))
    if word not in units:
        raise _bad(text, f"the unit '{word}'", f"one of {', '.join(units)}")
    return word


def _uncertainty(text: str, word: str) -> float | None:
    if not word:
        return None
    width = _number(text, word)
    if width < 0:
        raise _bad(text, f"the uncertainty {width:g}", "0 or more, in the unit of the value")
    return width


def _date(text: str, word: str) -> str:
    if not word:
        return ""
    try:
        return date.fromisoformat(word).isoformat()
    except ValueError:
        raise _bad(text, f"'{word}'", "the date of calibration as 2026-03-01") from None


def leak_hold_of(options: argparse.Namespace, plan: Plan, order: Order | None) -> LeakHold | None:
    """Return the leak hold given by option, else asked on a terminal where the machine is liquid-cooled.

    Raises:
        InputError: it has not the form, or ends before it begins.
    """
    if options.leak_hold:
        return parse_leak_hold(options.leak_hold)
    if not liquid_cooled(plan, order) or not sys.stdin.isatty():
        return None
    say(
        "This machine is liquid-cooled. Leak hold before the first soak (Enter at the first question: none was done):"
    )
    answers = []
    for question in ("Begin, as 2026-03-01T18:00", "End", "Dry paper at which fittings", "Who looked"):
        say(f"  {question}:")
        answers.append(sys.stdin.readline().strip())
        if not answers[0]:
            return None
    return parse_leak_hold(";".join(answers))


def parse_leak_hold(text: str) -> LeakHold:
    """Return the leak hold that ``text`` tells.

    Raises:
        InputError: as above.
    """
    fields = [field.strip() for field in text.split(";")]
    if len(fields) != 4 or not all(fields):
        raise _bad_hold(text, f"{sum(map(bool, fields))} of 4 fields", LEAK_HOLD)
    start, end = (_moment(text, field) for field in fields[:2])
    if (start.tzinfo is None) != (end.tzinfo is None):
        raise _bad_hold(text, "one time with and one without an offset", "both alike")
    hold_min = (end - start).total_seconds() / 60
    if hold_min <= 0:
        raise _bad_hold(text, "an end that is not after the begin", "START before END")
    return LeakHold(
        start=start.isoformat(timespec="minutes"),
        end=end.isoformat(timespec="minutes"),
        hold_min=hold_min,
        dry_at=fields[2],
        who=fields[3],
    )


def _moment(text: str, word: str) -> datetime:
    try:
        return datetime.fromisoformat(word)
    except ValueError:
        raise _bad_hold(text, f"'{word}'", "a date and time as 2026-03-01T18:00") from None


def _bad_hold(text: str, found: str, expected: str) -> InputError:
    return InputError(f"--leak-hold {text}: found {found}; expected {expected}", slug="leak-hold")


def desk_of(plan: Plan, readline: Callable[[], str] | None = None) -> tuple[OperatorAside, ...]:
    """Return what hands readings typed on the terminal to the run; nothing where the plan does not ask or nobody is there.

    Args:
        plan: The plan.
        readline: Returns the next line typed, empty at the end; the terminal's by default.
    """
    if not plan.ask_readings or (readline is None and not sys.stdin.isatty()):
        return ()
    desk = OperatorAside(plan, _tell_moment)
    listener = threading.Thread(
        target=listen, args=(desk, readline or sys.stdin.readline), name="readings", daemon=True
    )
    listener.start()
    return (desk,)


def _tell_moment(moment: str) -> None:
    where = {"idle": "at rest", "hot": "hot", "cool_down": "cooling down"}[moment]
    say(
        f"The machine is {where}. Type what your instruments read, for example room=22.4 or wall_power=412, and Enter."
    )


def listen(desk: OperatorAside, readline: Callable[[], str]) -> None:
    """Hand in every line typed until the input ends; a line that is no reading is said to be none."""
    while line := readline():
        if not line.strip():
            continue
        try:
            desk.give(parse_reading(line.strip()))
        except InputError as error:
            aside(error.message)
