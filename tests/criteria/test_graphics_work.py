from __future__ import annotations

import pytest

from burnin.criteria.graphics_work import PLUGIN
from burnin.records.events import LoadStarted
from burnin.records.plan import LoadUse, Stage

CARD = {"resource": "graphics", "card": "Invented 9", "adapter": "card"}
LINK = {"down_gb_s": 26.0, "up_gb_s": 24.0, "link_under_load": "generation 4, 16 lanes"}
FRAMES = {"frames_per_step": 9, "eye_width": 1344, "eye_height": 1600, "refresh_hz": 90.0}


def start(builder, load, notes, *, stage=0):
    return builder.add(LoadStarted(load_id="a", load=load, stage=stage, notes=notes))


def judge(tell, load, notes, *, work=None, params=None):
    stage = Stage(name="only", kind="soak", duration_s=60.0, loads=(LoadUse(load=load),))
    told = tell(stage)
    start(told.builder.stage(0, "only"), load, CARD | notes)
    if work is not None:
        told.builder.sweeps_at([told.row(stage)] * 10, every_s=5.0, work={"a": work})
    return PLUGIN.judge(told.builder.close().view(), params or {})


def test_a_run_without_graphics_is_outside(tell):
    assert PLUGIN.judge(tell().all().builder.close().view(), {}) == ()


def test_a_software_renderer_never_passes_for_a_card(tell):
    notes = {"adapter": "software renderer, not a graphics card", "share_of_graphics_memory": 1.0}
    (finding,) = judge(tell, "graphics_memory", notes)
    assert (finding.outcome, finding.slug, finding.subject) == ("inconclusive", "software", "graphics_memory")
    assert finding.values["card"] == "Invented 9"


def test_a_load_names_its_card(tell):
    (finding,) = judge(tell, "graphics_float", {})
    assert (finding.outcome, finding.slug, finding.values["card"]) == ("pass", "ran_on", "Invented 9")


@pytest.mark.parametrize(
    ("share", "slug", "outcome"),
    [
        (0.95, "covered", "pass"),
        (0.9499, "covered_less", "inconclusive"),
        ("not known: why", "share_unknown", "inconclusive"),
    ],
)
def test_memory_covered(tell, share, slug, outcome):
    (finding,) = judge(tell, "graphics_memory", {"share_of_graphics_memory": share, "bytes": 5})
    assert (finding.slug, finding.outcome) == (slug, outcome)
    assert (finding.observed is None) == (slug == "share_unknown")


def test_the_plan_sets_how_much_is_enough(tell):
    notes = {"share_of_graphics_memory": 0.8, "bytes": 5}
    (finding,) = judge(tell, "graphics_memory", notes, params={"covered": 0.8})
    assert (finding.outcome, finding.limit) == ("pass", 80.0)


@pytest.mark.parametrize(
    ("down", "up", "slugs"),
    [
        (0.80, 0.75, ["link_down", "link_up"]),
        (0.79, 0.74, ["link_slow_down", "link_slow_up"]),
        (None, None, ["link_unknown_down", "link_unknown_up"]),
    ],
)
def test_both_ways_of_the_link(tell, down, up, slugs):
    shares = {} if down is None else {"down_share_of_limit": down, "up_share_of_limit": up}
    findings = judge(tell, "graphics_link", LINK | shares)
    assert [finding.slug for finding in findings] == slugs
    assert all(
        f.outcome == ("pass" if f.slug in ("link_down", "link_up") else "inconclusive") for f in findings
    )


@pytest.mark.parametrize(("on_time", "slug"), [(9.0, "on_time"), (8.98, "late"), (None, "no_frames")])
def test_frames_on_time(tell, on_time, slug):
    stage = Stage(name="only", kind="soak", duration_s=60.0, loads=(LoadUse(load="graphics_frames"),))
    told = tell(stage)
    start(told.builder.stage(0, "only"), "graphics_frames", CARD | FRAMES)
    view = told.builder.close().view()
    if on_time is not None:
        import numpy as np

        from burnin.records.view import WorkColumns

        steps = np.arange(1, 11, dtype=np.int64) * 100
        view.work["a"] = WorkColumns(t_ns=steps, steps=steps, amount=steps * on_time)
    (finding,) = PLUGIN.judge(view, {})
    assert finding.slug == slug
    assert finding.outcome == ("pass" if slug == "on_time" else "inconclusive")


def test_a_stage_the_plan_does_not_know(tell):
    told = tell()
    start(told.builder, "graphics_float", CARD, stage=9)
    (finding,) = PLUGIN.judge(told.builder.close().view(), {})
    assert finding.stage == ""
