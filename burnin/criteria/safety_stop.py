"""No safety limit was crossed, and something was watched."""

from __future__ import annotations

from typing import Final

from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import SafetyArmed, SafetyTripped
from burnin.records.findings import Finding
from burnin.records.plan import Scalar
from burnin.records.view import Entry, RunView

_NAME: Final = "safety_stop"
_CROSSINGS: Final = frozenset({"value", "rise", "pump"})
_KNOWN: Final = _CROSSINGS | {"quiet", "watch_lost"}


class SafetyStop:
    """A crossed limit fails; a watch or sensor gone quiet leaves the answer open. Both end the run with its own exit code."""

    spec: Final = CriterionSpec(title="No safety limit was crossed", safety=True)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding per trip, else what was watched; a run without a watched channel is not assessed."""
        trips = tuple(_tripped(view, entry, trip) for entry, trip in view.of(SafetyTripped))
        return trips or (_untripped(view),)


def _tripped(view: RunView, entry: Entry, trip: SafetyTripped) -> Finding:
    labels = {channel.id: channel.label for channel in view.channels}
    margin = None if trip.value is None or trip.limit is None else trip.limit - trip.value
    return Finding(
        criterion=_NAME,
        slug=trip.why if trip.why in _KNOWN else "tripped",
        outcome="fail" if trip.why in _CROSSINGS else "inconclusive",
        subject=labels.get(trip.channel, trip.channel),
        values={"detail": trip.detail or "no further detail", "time_s": entry.t_ns / 1e9},
        observed=trip.value,
        limit=trip.limit,
        unit=trip.unit,
        margin=-abs(margin) if margin is not None else None,
        evidence=(entry.seq,),
        safety=True,
    )


def _untripped(view: RunView) -> Finding:
    armed = [(entry, event) for entry, event in view.of(SafetyArmed) if event.limits]
    if not armed:
        notes = [event.note for _, event in view.of(SafetyArmed) if event.note]
        return Finding(
            criterion=_NAME,
            slug="nothing_watched",
            outcome="inconclusive",
            required=False,
            values={"reason": notes[0] if notes else "no sensor has a limit to watch"},
            evidence=tuple(entry.seq for entry, _ in view.of(SafetyArmed)),
            safety=True,
        )
    entry, event = armed[-1]
    return Finding(
        criterion=_NAME,
        slug="watched",
        outcome="pass",
        values={"channels": len(event.limits), "period_s": event.period_s},
        evidence=(entry.seq,),
        safety=True,
    )


PLUGIN: Final = SafetyStop()
