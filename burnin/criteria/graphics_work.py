"""What ran on which graphics card, and how it stands to what a sound card and link show."""

from __future__ import annotations

from typing import Final

from burnin.calc.run_facts import resource_of
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.records.events import LoadStarted
from burnin.records.findings import Finding, Outcome
from burnin.records.plan import Scalar
from burnin.records.view import Entry, RunView

_NAME: Final = "graphics_work"
_SOFTWARE: Final = "software renderer, not a graphics card"
_COVERED: Final = 0.95
_DOWN: Final = 0.80
_UP: Final = 0.75
_ON_TIME: Final = 0.999


class GraphicsWork:
    """Work on a software renderer says nothing about a card, and memory not covered was not tested.

    A share of graphics memory below what is asked for, a slow link and late frames leave the answer open: on cards not
    seen yet the driver may keep more memory, and late frames are this scene's, not any program's.
    """

    spec: Final = CriterionSpec(
        title="Graphics loads ran on a card, and on enough of it",
        params=(
            Param(
                name="covered", default=_COVERED, about="least share of graphics memory", low=0.1, high=1.0
            ),
            Param(name="on_time", default=_ON_TIME, about="least share of frames on time", low=0.5, high=1.0),
        ),
    )

    def judge(self, view: RunView, params: dict[str, Scalar]) -> tuple[Finding, ...]:
        """Return one finding per graphics load that was opened, two for a link; none where no graphics load ran."""
        found: list[Finding] = []
        for entry, load in view.of(LoadStarted):
            if resource_of(load) == "graphics":
                found += _judged(view, entry, load, params=params)
        return tuple(found)


def _judged(
    view: RunView, entry: Entry, load: LoadStarted, *, params: dict[str, Scalar]
) -> tuple[Finding, ...]:
    if load.notes.get("adapter") == _SOFTWARE:
        return (_finding(view, entry, load, slug="software", outcome="inconclusive"),)
    if "share_of_graphics_memory" in load.notes:
        return (_covered(view, entry, load, least=float(params.get("covered", _COVERED))),)
    if "down_gb_s" in load.notes:
        ways = (("down", _DOWN), ("up", _UP))
        return tuple(_link(view, entry, load, way=way, least=least) for way, least in ways)
    if "frames_per_step" in load.notes:
        return (_frames(view, entry, load, least=float(params.get("on_time", _ON_TIME))),)
    return (_finding(view, entry, load, slug="ran_on", outcome="pass"),)


def _finding(
    view: RunView, entry: Entry, load: LoadStarted, *, slug: str, outcome: Outcome, **more: float | None
) -> Finding:
    observed, limit = more.get("observed"), more.get("limit")
    stages = view.opened.plan.stages
    stage = stages[load.stage].name if 0 <= load.stage < len(stages) else ""
    return Finding(
        criterion=_NAME,
        slug=slug,
        outcome=outcome,
        subject=load.load,
        values={"card": "a card without a name", **load.notes, "in_stage": stage},
        observed=observed,
        limit=limit,
        unit="" if observed is None else "%",
        margin=None if observed is None or limit is None else observed - limit,
        evidence=(entry.seq,),
        stage=stage,
    )


def _covered(view: RunView, entry: Entry, load: LoadStarted, *, least: float) -> Finding:
    share = load.notes["share_of_graphics_memory"]
    if isinstance(share, str):
        return _finding(view, entry, load, slug="share_unknown", outcome="inconclusive")
    enough = share >= least
    return _finding(
        view, entry, load, slug="covered" if enough else "covered_less", outcome="pass" if enough else "inconclusive",
        observed=100 * share, limit=100 * least,
    )  # fmt: skip


def _link(view: RunView, entry: Entry, load: LoadStarted, *, way: str, least: float) -> Finding:
    share = load.notes.get(f"{way}_share_of_limit")
    if not isinstance(share, int | float):
        return _finding(view, entry, load, slug=f"link_unknown_{way}", outcome="inconclusive")
    fast = share >= least
    return _finding(
        view, entry, load, slug=f"link_{way}" if fast else f"link_slow_{way}",
        outcome="pass" if fast else "inconclusive", observed=100 * share, limit=100 * least,
    )  # fmt: skip


def _frames(view: RunView, entry: Entry, load: LoadStarted, *, least: float) -> Finding:
    work = view.work.get(load.load_id)
    frames = (
        0.0
        if work is None or not len(work.steps)
        else float(work.steps[-1]) * float(load.notes["frames_per_step"])
    )
    if work is None or not frames:
        return _finding(view, entry, load, slug="no_frames", outcome="inconclusive")
    share = float(work.amount[-1]) / frames
    enough = share >= least
    return _finding(
        view, entry, load, slug="on_time" if enough else "late", outcome="pass" if enough else "inconclusive",
        observed=100 * share, limit=100 * least,
    )  # fmt: skip


PLUGIN: Final = GraphicsWork()
