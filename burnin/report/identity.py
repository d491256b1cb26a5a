"""Who tested what, for whom, when and how: the facts at the head of a certificate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.records.events import InstrumentReading
from burnin.records.view import RunView
from burnin.report.figures import clock, figure, local_time, significant, span, unit_sign
from burnin.report.text import REDACTED, attempts_text
from burnin.report.words import plain_name, shown_text


@dataclass(frozen=True, kw_only=True)
class Fact:
    """A name and what stands beside it; ``missing`` marks a reason instead of a value."""

    name: str
    value: str
    missing: bool = False


def _fact(name: str, value: str | None, reason: str) -> Fact:
    shown = shown_text(value or "")
    return Fact(name=name, value=shown or f"not stated: {shown_text(reason)}", missing=not shown)


def order_facts(view: RunView) -> tuple[Fact, ...]:
    """Return for whom and what: order, customer, machine and serial numbers."""
    order, board = view.opened.order, view.inventory.board
    none = "no order sheet was given" if order is None else "the order sheet names none"
    return (
        _fact("Order", order.order if order else None, none),
        _fact("Customer", order.customer if order else None, none),
        _fact("Machine", order.machine if order else None, none),
        _fact("Serial number", order.serial if order else None, none),
        _fact(
            "Serial number read from the machine",
            board.system_serial or board.serial,
            board.unknown.get("system_serial")
            or board.unknown.get("serial")
            or board.unknown.get("*")
            or "the machine states none",
        ),
    )


def run_facts(view: RunView) -> tuple[Fact, ...]:
    """Return when, where, by whom and after which plan."""
    opened = view.opened
    workshop = opened.workshop
    begin = local_time(opened.anchor)
    end = local_time(opened.anchor, view.end_ns)
    facts = [
        _fact("Tested by", workshop.name, "no workshop was given"),
        _fact("Place", ", ".join(workshop.address), "no address was given"),
        Fact(name="Began", value=clock(begin)),
        Fact(name=f"Ended, after {span(view.end_ns / 1e9)}", value=clock(end)),
        Fact(name="Plan", value=shown_text(opened.plan.title or opened.plan.name)),
        Fact(name="Ended because", value=_closing(view)),
    ]
    if opened.earlier:
        facts.append(Fact(name="Attempt", value=attempts_text(view)))
    if opened.redacted_from:
        facts.append(Fact(name="Copy", value=REDACTED))
    if opened.retest_of:
        facts.append(Fact(name="Re-test of run", value=shown_text(opened.retest_of)))
    return tuple(facts)


_CLOSINGS: Final = {
    "complete": "the plan was carried out to its end",
    "operator": "the operator stopped it",
    "safety": "a safety limit stopped it",
    "fault": "a wrong result ended it, as the plan asks",
    "trouble": "the test itself was in trouble",
    "cut_off": "the machine stopped or the power went",
}


def _closing(view: RunView) -> str:
    closed = view.closed
    if closed is None:
        return "unknown: the journal has no end"
    return _CLOSINGS.get(closed.reason, plain_name(closed.reason))


def condition_facts(view: RunView) -> tuple[Fact, ...]:
    """Return the conditions of the test: room, firmware, rights, instruments."""
    board, system = view.inventory.board, view.inventory.system
    declared = view.opened.plan.ambient_c
    rooms = [event for _, event in view.of(InstrumentReading) if event.name in {"room", "inlet"}]
    facts = [
        *([] if rooms else [_room(declared)]),
        _fact(
            "Firmware",
            _joined(board.firmware_version, board.firmware_date),
            _why(board.unknown, "firmware_version"),
        ),
        _fact("System", _joined(system.distribution, system.kernel), _why(system.unknown, "kernel")),
        Fact(
            name="Read with",
            value="administrator's rights"
            if view.opened.with_rights
            else "a user's rights; some serial numbers need more",
        ),
    ]
    readings = [_instrument(event) for _, event in view.of(InstrumentReading)]
    return (*facts, *readings)


def _room(declared: float | None) -> Fact:
    if declared is None:
        return Fact(name="Room", value="not measured, because nobody gave a reading", missing=True)
    return Fact(name="Room", value=f"{figure(declared, 'degC')} as declared in the plan")


def _instrument(event: InstrumentReading) -> Fact:
    unit = unit_sign(event.unit)
    width = f" \u00b1 {significant(event.uncertainty)}" if event.uncertainty is not None else ""
    details = [
        shown_text(event.place),
        shown_text(event.instrument) or "instrument not named",
        f"calibrated {shown_text(event.calibrated)}" if event.calibrated else "calibration unknown",
    ]
    moment = "" if event.moment == "given" else f", {plain_name(event.moment)}"
    value = f"{significant(event.value)}{width} {shown_text(unit)} ({', '.join(part for part in details if part)})"
    return Fact(name=plain_name(event.name).capitalize() + moment, value=value)


def _joined(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)


def _why(unknown: dict[str, str], field: str) -> str:
    return unknown.get(field) or unknown.get("*") or "the machine does not state it"
