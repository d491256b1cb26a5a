from __future__ import annotations

from itertools import product

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from burnin.criteria.verdict import NEEDED_TO_ACCEPT, fold, judge_all, limited_to
from burnin.plugin.contracts import CriterionSpec, Param
from burnin.plugin.discovery import usable
from burnin.records.events import FaultFound, KernelLine, LoadEnded, OperatorStopped, SafetyTripped
from burnin.records.findings import Finding
from burnin.records.plan import CriterionUse, Plan, Stage, Waiver
from burnin.testing.run_builder import RunBuilder

RANK = {"accepted": 0, "inconclusive": 1, "rejected": 2}
PASSES = tuple(Finding(criterion=name, slug="ok", outcome="pass") for name in NEEDED_TO_ACCEPT)


def _open(**fields):
    return Finding(**{"criterion": "c", "slug": "open", "outcome": "inconclusive"} | fields)


def _fail(**fields):
    return Finding(**{"criterion": "c", "slug": "bad", "outcome": "fail"} | fields)


@pytest.fixture
def view(tell):
    return tell().builder.close().view()


def test_all_needed_passes_are_accepted(view):
    verdict = fold(view, PASSES)
    assert (verdict.standing, verdict.exit_code, verdict.reasons, verdict.waivers) == ("accepted", 0, (), ())


@pytest.mark.parametrize("missing", range(len(PASSES)))
def test_without_any_one_of_them_nothing_is_accepted(view, missing):
    verdict = fold(view, PASSES[:missing] + PASSES[missing + 1 :])
    assert (verdict.standing, verdict.exit_code) == ("inconclusive", 3)


def test_no_findings_are_no_acceptance(view):
    assert fold(view, ()).standing == "inconclusive"


def test_any_fail_rejects_and_stands_before_open_answers(view):
    verdict = fold(view, (*PASSES, _open(), _fail(), _fail(required=False)))
    assert (verdict.standing, verdict.exit_code, verdict.reasons) == ("rejected", 1, (8, 9, 7))


def test_a_workshops_target_is_shown_and_never_decides(view):
    assert fold(view, (*PASSES, _fail(advisory=True), _open(advisory=True))).standing == "accepted"


def test_an_open_answer_counts_only_when_required(view):
    assert fold(view, (*PASSES, _open(required=False))).standing == "accepted"
    verdict = fold(view, (*PASSES, _open()))
    assert (verdict.standing, verdict.reasons) == ("inconclusive", (7,))


def test_not_applicable_decides_nothing(view):
    assert fold(view, (*PASSES, _open(outcome="not_applicable"))).standing == "accepted"


def test_a_first_look_accepts_nothing(tell):
    verdict = fold(tell(first_look=True).builder.close().view(), PASSES)
    assert (verdict.standing, verdict.first_look, verdict.exit_code) == ("inconclusive", True, 3)


def _waived(tell, **fields):
    waiver = Waiver(**{"criterion": "c", "reason": "agreed with the customer", "by": "A. Bench"} | fields)
    return tell(waivers=(waiver,)).builder.close().view()


@pytest.mark.parametrize("finding", [_fail(), _open()])
def test_a_waiver_stands_in_the_verdict(tell, finding):
    verdict = fold(_waived(tell), (*PASSES, finding))
    assert (verdict.standing, verdict.exit_code) == ("accepted", 0)
    (used,) = verdict.waivers
    assert (used.criterion, used.outcome, used.by) == ("c", finding.outcome, "A. Bench")


def test_a_waiver_touches_no_safety_rule_and_no_needed_one(tell):
    assert fold(_waived(tell), (*PASSES, _fail(safety=True))).standing == "rejected"
    short = Finding(criterion="minimum_time", slug="too_short", outcome="inconclusive")
    needed = (*(one for one in PASSES if one.criterion != "minimum_time"), short)
    verdict = fold(_waived(tell, criterion="minimum_time"), needed)
    assert (verdict.standing, verdict.waivers) == ("inconclusive", ())


def test_a_waiver_for_one_subject_leaves_the_others(tell):
    view = _waived(tell, subject="Drive 1")
    assert fold(view, (*PASSES, _fail(subject="Drive 1"))).standing == "accepted"
    assert fold(view, (*PASSES, _fail(subject="Drive 2"))).standing == "rejected"


def test_a_waiver_that_changes_nothing_is_not_counted(tell):
    verdict = fold(_waived(tell), (*PASSES, _fail(), _fail(criterion="d")))
    assert (verdict.standing, verdict.waivers, verdict.reasons) == ("rejected", (), (8,))


@pytest.mark.parametrize(
    ("trip", "stop", "fail", "code"),
    [(t, o, f, 5 if t else 1 if f else 4 if o else 3) for t, o, f in product((False, True), repeat=3)],
)
def test_exit_codes_keep_their_precedence(tell, trip, stop, fail, code):
    run = tell().builder
    if trip:
        run.add(SafetyTripped(why="quiet"))
    if stop:
        run.add(OperatorStopped(signal="SIGINT"))
    verdict = fold(run.close().view(), (_open(), _fail()) if fail else (_open(),))
    assert verdict.exit_code == code
    assert (verdict.stopped_for_safety, verdict.stopped_by_operator) == (trip, stop)


def test_a_run_closed_by_the_operator_was_stopped_by_the_operator(tell):
    assert fold(tell().builder.close("operator").view(), ()).exit_code == 4
    assert fold(tell().builder.view(), ()).exit_code == 3


class Rule:
    def __init__(self, answer, **spec):
        self.spec = CriterionSpec(**{"title": "Rule"} | spec)
        self.answer = answer
        self.seen = []

    def judge(self, view, params):
        self.seen.append((view, params))
        return self.answer(view, params)


def _pass(view, params):
    return (Finding(criterion="whatever it says", slug="ok", outcome="pass", values=dict(params)),)


def _by_name(findings, name):
    return [finding for finding in findings if finding.criterion == name]


def test_rules_always_judged_need_no_plan_and_get_their_defaults(view):
    rule = Rule(_pass, params=(Param(name="share", default=0.5, about=""),))
    (finding,) = _by_name(judge_all(view, {"mine": rule}), "mine")
    assert finding.values == {"share": 0.5}


def test_other_rules_are_judged_only_where_the_plan_names_them(tell):
    catalog = {"mine": Rule(_pass, always=False, params=(Param(name="share", default=0.5, about=""),))}
    assert not _by_name(judge_all(tell().builder.view(), catalog), "mine")
    use = CriterionUse(criterion="mine", params={"share": 0.9})
    (finding,) = _by_name(judge_all(tell(criteria=(use,)).builder.view(), catalog), "mine")
    assert finding.values == {"share": 0.9}


def test_a_rule_that_raises_is_our_bug_and_answers_open(view):
    def broken(view, params):
        raise ZeroDivisionError

    (finding,) = _by_name(judge_all(view, {"mine": Rule(broken, safety=True)}), "mine")
    assert (finding.slug, finding.outcome, finding.safety) == ("criterion_broken", "inconclusive", True)
    assert finding.values == {"error": "ZeroDivisionError"}


def test_a_rule_not_on_hand_is_open_as_is_every_needed_one(tell):
    findings = judge_all(tell(criteria=(CriterionUse(criterion="ghost"),)).builder.view(), {})
    assert {finding.criterion for finding in findings} == {"ghost", *NEEDED_TO_ACCEPT}
    assert all((f.slug, f.outcome) == ("no_such_criterion", "inconclusive") for f in findings)


def test_the_plan_can_relax_an_open_answer_but_neither_safety_nor_a_needed_rule(tell):
    def still_open(view, params):
        return (_open(),)

    catalog = {
        "plain": Rule(still_open),
        "safe": Rule(still_open, safety=True),
        "minimum_time": Rule(still_open),
        "modest": Rule(lambda view, params: (_open(required=False),)),
    }
    uses = tuple(CriterionUse(criterion=name, required=name == "modest") for name in catalog)
    findings = judge_all(tell(criteria=uses).builder.view(), catalog)
    required = {name: _by_name(findings, name)[0].required for name in catalog}
    assert required == {"plain": False, "safe": True, "minimum_time": True, "modest": False}
    assert _by_name(findings, "safe")[0].safety


def test_a_rule_for_a_stage_sees_that_stage_and_the_run_is_judged_beside_it(tell):
    hot = Stage(name="hot", kind="soak", duration_s=600.0, criteria=(CriterionUse(criterion="mine"),))
    run = tell(Stage(name="rest", kind="idle", duration_s=300.0), hot).all().builder.close()
    rule = Rule(_pass)
    findings = _by_name(judge_all(run.view(), {"mine": rule}), "mine")
    assert [finding.stage for finding in findings] == ["hot", ""]
    assert [len(view.t_ns) for view, _ in rule.seen] == [120, 180]


def test_the_part_of_a_stage_holds_its_own_and_what_is_of_no_stage(tell):
    run = tell().all().builder
    run.add(FaultFound(load_id="1.matrix.0", load="matrix", stage=1, fault="wrong_result"))
    run.add(FaultFound(load_id="2.matrix.0", load="matrix", stage=2, fault="wrong_result"))
    run.add(KernelLine(what="other", text="x")).close()
    part = limited_to(run.view(), "hot")
    assert [span.name for span in part.stage_spans()] == ["hot"]
    assert set(part.work) == set(part.load_starts) == {"1.matrix.0"}
    assert [event.load_id for _, event in part.of(LoadEnded)] == ["1.matrix.0"]
    assert [event.stage for _, event in part.of(FaultFound)] == [1]
    assert part.first(KernelLine) is not None
    assert part.closed is not None
    nothing = limited_to(run.view(), "never")
    assert (len(nothing.t_ns), nothing.stage_spans(), nothing.work) == (0, (), {})


def test_work_outside_the_stage_is_left_out(tell):
    told = tell()
    told.builder.load("1.matrix.0", "matrix", stage=1)
    told.builder.sweeps_at([told.row(told.plan.stages[0])] * 3, work={"1.matrix.0": 1.0})
    assert limited_to(told.builder.stage(1, "hot").wait(1).end_stage(1, "hot").view(), "hot").work == {}


_WAIVER = Waiver(criterion="c", reason="r", by="b")

# -- what must hold for every run ---------------------------------------------------------------------------------

CATALOG = usable("criteria")

HOWS = st.sampled_from(["stopped", "signal", "hung", "out_of_memory", "exception", "not_started", ""])
REASONS = st.sampled_from(["complete", "operator", "safety", "fault", "trouble", "cut_off", ""])


@st.composite
def stories(draw, tell):
    """A run of up to three stages, cut short or broken in any way."""
    told = tell(
        first_look=draw(st.booleans()),
        minimum_minutes=draw(st.sampled_from([0.0, 1.0, 60.0])),
        waivers=(Waiver(criterion=draw(st.sampled_from(sorted(CATALOG))), reason="r", by="b"),),
        rows={
            "hot": (
                draw(st.sampled_from([40.0, 99.0, None])),
                4500.0,
                draw(st.sampled_from([3.0, 4.0, None])),
            )
        },
    )
    if draw(st.booleans()):
        told.arm()
    for index in range(draw(st.integers(0, 3))):
        _stage(draw, told, index)
    if reason := draw(REASONS):
        told.builder.close(reason)
    return told.builder


def _stage(draw, told, index):
    stage = told.plan.stages[index]
    told.builder.stage(index, stage.name)
    ids = {f"{index}.{use.load}.0": use.load for use in stage.loads}
    for load_id, load in ids.items():
        told.builder.load(load_id, load, stage=index, core=0)
    work = dict.fromkeys(ids, draw(st.sampled_from([0.0, 10.0])))
    told.builder.sweeps_at([told.row(stage)] * draw(st.integers(0, 40)), every_s=5.0, work=work)
    for load_id in ids:
        if how := draw(HOWS):
            told.builder.end_load(load_id, how)
    if draw(st.booleans()):
        told.builder.end_stage(index, stage.name)


def _told_again(builder, at, event):
    again = RunBuilder(builder.lines[0].event.plan)
    again.lines = list(builder.lines)
    extra = msgspec.structs.replace(event)
    again.lines.insert(at, type(again.lines[0])(seq=0, mono_ns=again.lines[at - 1].mono_ns, event=extra))
    again.lines = [
        type(line)(seq=seq, mono_ns=line.mono_ns, event=line.event) for seq, line in enumerate(again.lines)
    ]
    return again


def test_a_whole_good_run_is_accepted_and_each_thing_wrong_with_it_is_not(tell):
    catalog = {name: CATALOG[name] for name in NEEDED_TO_ACCEPT}
    view = tell().all().builder.close().view()
    assert fold(view, judge_all(view, catalog)).standing == "accepted"
    short = tell().stage(1).stage(2).builder.close().view()
    assert fold(short, judge_all(short, catalog)).standing == "inconclusive"
    cut = tell().all().builder.view()
    assert fold(cut, judge_all(cut, catalog)).standing == "rejected"


def test_a_fault_never_improves_a_verdict(tell):
    @settings(max_examples=60, deadline=None, derandomize=True)
    @given(builder=stories(tell), data=st.data())
    def holds(builder, data):
        before = fold(builder.view(), judge_all(builder.view(), CATALOG))
        stage = data.draw(st.integers(-1, 4))
        fault = FaultFound(
            load_id=f"{stage}.matrix.0", load="matrix", stage=stage, core=0, fault="wrong_result"
        )
        at = data.draw(st.integers(1, len(builder.lines)))
        view = _told_again(builder, at, fault).view()
        after = fold(view, judge_all(view, CATALOG))
        assert after.standing == "rejected"
        assert RANK[after.standing] >= RANK[before.standing]
        assert after.exit_code in {1, 5}

    holds()


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    findings=st.lists(
        st.builds(
            Finding,
            criterion=st.sampled_from(["c", "d", *NEEDED_TO_ACCEPT]),
            slug=st.just("s"),
            outcome=st.sampled_from(["pass", "fail", "inconclusive", "not_applicable"]),
            required=st.booleans(),
            safety=st.booleans(),
        ),
        max_size=12,
    ),
    extra=st.sampled_from(
        [_fail(), _open(), _fail(safety=True), _open(required=False), _fail(criterion="d")]
    ),
)
def test_a_finding_that_is_no_pass_never_improves_a_verdict(findings, extra):
    view = RunBuilder(Plan(format=1, name="t", title="T", waivers=(_WAIVER,))).close().view()
    before = fold(view, (*PASSES, *findings))
    after = fold(view, (*PASSES, *findings, extra))
    assert RANK[after.standing] >= RANK[before.standing]
    assert all(0 <= index <= len(PASSES) + len(findings) for index in after.reasons)


@pytest.mark.parametrize("name", sorted(CATALOG))
def test_every_rule_answers_for_an_empty_run_and_for_one_without_sweeps(tell, name):
    use = (CriterionUse(criterion=name),)
    bare = tell(criteria=use)
    shut = (
        tell(criteria=use)
        .builder.stage(1, "hot")
        .load("1.matrix.0", "matrix", stage=1)
        .end_load("1.matrix.0")
    )
    for run in (bare.builder, shut.end_stage(1, "hot").close()):
        findings = _by_name(judge_all(run.view(), {name: CATALOG[name]}), name)
        assert not [finding for finding in findings if finding.slug == "criterion_broken"]
