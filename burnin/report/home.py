"""What the customer should see at home: temperatures and speeds at rest and under load, with the room they hold for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.channels import Channel
from burnin.records.events import InstrumentReading
from burnin.records.view import F64, RunView, StageSpan
from burnin.report.figures import figure
from burnin.report.traces import good_column
from burnin.report.words import shown_text

_ROLES: Final = ("cpu_hottest", "graphics", "coolant", "fan", "pump")
_LAST_SHARE: Final = 0.25
_MOST_ROWS: Final = 8
VOID: Final = (
    "The comparison no longer holds with another room temperature (temperatures follow the room about degree by degree), "
    "other fan or pump settings, a closed or moved case, dust, other tuning settings, or other parts."
)


@dataclass(frozen=True, kw_only=True)
class HomeRow:
    """One channel at rest and under load, as ranges over the last quarter of the stage."""

    label: str
    rest: str
    load: str


@dataclass(frozen=True, kw_only=True)
class Home:
    """The table; ``reason`` where it cannot be given."""

    rows: tuple[HomeRow, ...] = ()
    room: str = ""
    void: str = VOID
    reason: str = ""


def home(view: RunView) -> Home:
    """Return what to expect at home, from the last quarter of the idle stage and of the longest hot stage."""
    kinds = {index: stage.kind for index, stage in enumerate(view.opened.plan.stages)}
    spans = view.stage_spans()
    rest = _longest([stage for stage in spans if kinds.get(stage.index) == "idle"])
    load = _longest([stage for stage in spans if kinds.get(stage.index) in {"soak", "combined"}])
    if rest is None and load is None:
        return Home(reason="no idle and no hot stage was run")
    rows = tuple(_rows(view, rest, load))
    if not rows:
        return Home(reason="the machine has no temperature or fan sensor that can be read")
    return Home(rows=rows, room=_room(view))


def _longest(stages: list[StageSpan]) -> StageSpan | None:
    return max(stages, key=lambda stage: stage.end_ns - stage.start_ns, default=None)


def _rows(view: RunView, rest: StageSpan | None, load: StageSpan | None) -> list[HomeRow]:
    found = []
    chosen = [(index, channel) for index, channel in enumerate(view.channels) if channel.role in _ROLES]
    chosen.sort(key=lambda item: (_ROLES.index(item[1].role), item[0]))
    for index, channel in chosen:
        values = good_column(view, index)
        texts = [_range(view, values, channel, stage) for stage in (rest, load)]
        if any(text != _NONE for text in texts):
            found.append(HomeRow(label=shown_text(channel.label or channel.id), rest=texts[0], load=texts[1]))
    return found[:_MOST_ROWS]


_NONE: Final = "not measured"


def _range(view: RunView, values: F64, channel: Channel, stage: StageSpan | None) -> str:
    if stage is None:
        return _NONE
    begin = stage.end_ns - _LAST_SHARE * (stage.end_ns - stage.start_ns)
    part = values[(view.t_ns >= begin) & (view.t_ns <= stage.end_ns)]
    part = part[np.isfinite(part)]
    if not len(part):
        return _NONE
    low, high = float(part.min()), float(part.max())
    if figure(low, channel.unit) == figure(high, channel.unit):
        return figure(low, channel.unit)
    return f"{figure(low, channel.unit)} to {figure(high, channel.unit)}"


def _room(view: RunView) -> str:
    measured = [event for _, event in view.of(InstrumentReading) if event.name == "room"]
    if measured:
        values = [event.value for event in measured]
        low, high = min(values), max(values)
        text = figure(low, "degC") if low == high else f"{figure(low, 'degC')} to {figure(high, 'degC')}"
        return f"They hold for a room of {text}, as measured during the test."
    if view.opened.plan.ambient_c is not None:
        return f"They hold for a room of {figure(view.opened.plan.ambient_c, 'degC')}, as declared and not measured."
    return "The room's temperature was not measured, because nobody gave a reading: take the temperatures as a rough guide."
