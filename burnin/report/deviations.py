"""What went otherwise than planned, and what people wanted on record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.records.events import (
    ClockStepped,
    Remark,
    Resumed,
    RunRecovered,
    SafetyTripped,
    SamplingTrouble,
    StorageTrouble,
)
from burnin.records.view import RunView
from burnin.report.figures import figure, local_time, span
from burnin.report.words import counted, plain_name, shown_text


@dataclass(frozen=True, kw_only=True)
class Remarked:
    """A remark or an event that deviates from the plan, with its moment."""

    moment: str
    text: str


def deviations(view: RunView) -> tuple[Remarked, ...]:
    """Return everything that went otherwise than planned, in order."""
    found = [
        (
            stage.end_ns,
            f"Stage {shown_text(stage.name)} ended {_STAGE_ENDS.get(stage.reason, plain_name(stage.reason))}.",
        )
        for stage in view.stage_spans()
        if stage.reason not in {"time", "steady"}
    ]
    for entry in view.entries:
        text = _deviation(entry.event)
        if text:
            found.append((entry.t_ns, text))
    if view.integrity.trouble or view.integrity.dropped_bytes:
        trouble = shown_text(view.integrity.trouble) or "unreadable bytes"
        text = f"The end of the journal is damaged ({trouble}); {counted(view.integrity.dropped_bytes, 'byte')} left out."
        found.append((view.end_ns, text))
    found.sort(key=lambda item: item[0])
    return tuple(Remarked(moment=_moment(view, t_ns), text=text) for t_ns, text in found)


_STAGE_ENDS: Final = {
    "longest": "at its longest time without reaching its condition",
    "operator": "because the operator stopped it",
    "safety": "because a safety limit was reached",
    "fault": "because a wrong result was found",
    "trouble": "because the test was in trouble",
    "cut_off": "because the machine stopped or the power went",
}


def _deviation(event: object) -> str:
    match event:
        case SafetyTripped():
            figures = f"{figure(event.value, event.unit)}, limit {figure(event.limit, event.unit)}"
            about = shown_text(event.channel) or "the safety watch"
            reached = (
                figures if event.value is not None else shown_text(event.detail) or "no reading any more"
            )
            return f"Safety stop ({plain_name(event.why)}): {about}, {reached}."
        case SamplingTrouble():
            more = f": {shown_text(event.detail)}" if event.detail else ""
            return f"Sampling {plain_name(event.what)} of {span(event.span_s)}{more}."
        case StorageTrouble():
            return f"The journal could not be written for {span(event.span_s)} ({shown_text(event.error)}); {counted(event.lost, 'line')} lost."
        case ClockStepped():
            if event.what == "suspend":
                return f"The machine slept for {span(event.by_s)}."
            return f"The machine's clock was changed by {span(abs(event.by_s))}."
        case Resumed():
            return f"The run went on after a restart: {shown_text(event.reason) or 'reason not stated'}."
        case RunRecovered():
            causes = "; ".join(shown_text(cause) for cause in event.causes) or "no cause found"
            lost = f"{counted(event.dropped_bytes, 'byte')} of a torn line set aside"
            return f"The run was cut off and closed later ({causes}); {_MAINS[event.mains_lost]}{lost}."
        case _:
            return ""


_MAINS: Final = {
    "": "",
    "yes": "the operator said that the mains had failed; ",
    "no": "the operator said that the mains had not failed; ",
    "unknown": "the operator did not know whether the mains had failed; ",
}


def remarks(view: RunView) -> tuple[Remarked, ...]:
    """Return what the operator, the order and the harness wanted on record."""
    order = view.opened.order
    given = (view.opened.note, order.remarks if order else "")
    found = [Remarked(moment="", text=shown_text(text)) for text in given if text]
    found += [
        Remarked(moment=_moment(view, entry.t_ns), text=shown_text(event.text))
        for entry, event in view.of(Remark)
    ]
    return tuple(found)


def _moment(view: RunView, t_ns: int) -> str:
    return f"{local_time(view.opened.anchor, t_ns):%H:%M:%S}, {span(t_ns / 1e9)} after the start"
