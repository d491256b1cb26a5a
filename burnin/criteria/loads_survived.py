"""Every load lived to the end it was given: how each one ended decides."""

from __future__ import annotations

from collections import Counter
from typing import Final

from burnin.calc.run_facts import cut_off, load_subject, unended_loads
from burnin.plugin.contracts import CriterionSpec
from burnin.records.events import LoadEnded, LoadStarted
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import Entry, RunView

_NAME: Final = "loads_survived"
_AS_PLANNED: Final = frozenset({"stopped", "killed"})
_ENDS: Final[dict[str, Outcome]] = {
    "signal": "fail",
    "hung": "fail",
    "exit_code": "fail",
    "exception_once": "fail",
    "out_of_memory_again": "fail",
    "exception_repeats": "inconclusive",
    "exception_not_replayed": "inconclusive",
    "out_of_memory": "inconclusive",
    "lost_supervisor": "inconclusive",
    "not_started": "inconclusive",
}
_REPLAYS: Final = (
    ("replayed: same", "exception_repeats"),
    ("replayed: not repeated", "exception_once"),
)
_CUTS: Final[dict[str, tuple[str, Outcome]]] = {
    "reset": ("reset_under_load", "fail"),
    "orderly": ("shut_down_under_load", "inconclusive"),
    "harness": ("harness_ended", "inconclusive"),
    "": ("no_end", "inconclusive"),
}


class LoadsSurvived:
    """A load that dies, hangs or goes down with the machine is evidence against the machine, if it is not our own defect.

    An exception in a load's code is replayed with the same seed on the same core: one that repeats is a defect of the
    software, one that does not is the machine's.
    """

    spec: Final = CriterionSpec(title="Every load lived to its end", safety=True)

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:  # noqa: ARG002 - the contract
        """Return one finding per load that did not end as planned, else a pass."""
        starts = view.load_starts
        kills: Counter[tuple[str, int | None]] = Counter()
        found = []
        for entry, ended in view.of(LoadEnded):
            start = starts.get(ended.load_id)
            if ended.how == "out_of_memory" and start is not None:
                kills[start.load, start.core] += 1
            if ended.how not in _AS_PLANNED:
                again = start is not None and kills[start.load, start.core] > 1
                found.append(_ended(entry, ended, start=start, slug=_slug(ended, again=again)))
        found += _without_end(view)
        return tuple(found) or (_survived(view),)


def _slug(ended: LoadEnded, *, again: bool) -> str:
    if ended.how == "exception":
        return next(
            (slug for head, slug in _REPLAYS if ended.detail.startswith(head)), "exception_not_replayed"
        )
    if ended.how == "out_of_memory" and again:
        return "out_of_memory_again"
    return ended.how


def _ended(entry: Entry, ended: LoadEnded, *, start: LoadStarted | None, slug: str) -> Finding:
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=_ENDS[slug],
        subject=load_subject(start) if start else ended.load_id,
        values={
            "code": "unknown" if ended.code is None else ended.code,
            "detail": ended.detail or "no further detail",
            "steps": ended.steps,
            "time_s": entry.t_ns / 1e9,
        },
        evidence=(entry.seq,),
        safety=True,
    )


def _without_end(view: RunView) -> list[Finding]:
    groups: dict[str, list[tuple[Entry, LoadStarted]]] = {}
    for entry, load, restart in unended_loads(view):
        how = cut_off(view)
        groups.setdefault("reset" if restart is not None and not how else how, []).append((entry, load))
    return [_cut(view, group, how=how) for how, group in groups.items()]


def _cut(view: RunView, group: list[tuple[Entry, LoadStarted]], *, how: str) -> Finding:
    slug, outcome = _CUTS[how]
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        subject=load_subject(group[0][1]) if len(group) == 1 else "",
        values={
            "loads": len(group),
            "kinds": ", ".join(sorted({load.load for _, load in group})),
            "last_s": view.end_ns / 1e9,
        },
        evidence=tuple(entry.seq for entry, _ in group[:50]),
        safety=True,
    )


def _survived(view: RunView) -> Finding:
    ends = [entry.seq for entry, _ in view.of(LoadEnded)]
    return Finding(
        criterion=_NAME,
        slug="survived" if ends else "no_load",
        outcome="pass" if ends else "inconclusive",
        values={"loads": len(ends)},
        evidence=tuple(ends[:50]),
        safety=True,
    )


PLUGIN: Final = LoadsSurvived()
