"""The whole certificate as values: what every template prints, computed once and nowhere else."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.records.findings import Finding, Verdict
from burnin.records.view import RunView, StageSpan
from burnin.report import identity, judgement, method, notes
from burnin.report.chart import Chart, chart
from burnin.report.deviations import Remarked, deviations, remarks
from burnin.report.figures import clock, figure, local_time, span
from burnin.report.heat import HeatStrip, heat_strip
from burnin.report.home import Home, home
from burnin.report.machine import PartRow, machine_rows
from burnin.report.ports import SocketRow, socket_rows
from burnin.report.readings import ChannelRow, channel_rows
from burnin.report.text import REHEARSAL, outcome_counts, verdict_line, verdict_reasons
from burnin.report.traces import channel_limit, good_column, judged_limits, reason_absent, trace_groups
from burnin.report.words import counted, shortened, shown_text
from burnin.report.work import (
    CoreRow,
    LoadTotals,
    WorkRow,
    core_rows,
    load_totals,
    ranges,
    rate_group,
    work_rows,
)

_MOST_REASONS: Final = 6
_TALL: Final = 196
_LOW: Final = 116


@dataclass(frozen=True, kw_only=True)
class KeyFigure:
    """One large figure at the head of the certificate."""

    value: str
    name: str
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Head:
    """Workshop, verdict and identity: what the first page must hold."""

    run_id: str
    rehearsal: str
    workshop: str
    address: tuple[str, ...]
    contact: str
    signatory: str
    logo: str
    standing: str
    verdict: str
    reasons: tuple[str, ...]
    more_reasons: int
    counts: str
    issued: str
    key_figures: tuple[KeyFigure, ...]
    order: tuple[identity.Fact, ...]
    test: tuple[identity.Fact, ...]
    conditions: tuple[identity.Fact, ...]
    beyond: str
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What was judged and what was not."""

    findings: tuple[judgement.FindingRow, ...]
    more_findings: tuple[judgement.FindingRow, ...]
    not_applicable: str
    checklist_title: str
    checklist_about: str
    checks: tuple[judgement.CheckRow, ...]
    open_points: tuple[judgement.OpenPoint, ...]
    open_judged: str
    faults: tuple[judgement.FaultRow, ...]
    fault_count: int
    deviations: tuple[Remarked, ...]
    remarks: tuple[Remarked, ...]


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Pictures and tables of what was measured."""

    charts: tuple[Chart, ...]
    rate: Chart
    stages: tuple[tuple[int, str], ...]
    heat: HeatStrip
    work: tuple[WorkRow, ...]
    cores: tuple[CoreRow, ...]
    cores_brief: str
    channels: tuple[ChannelRow, ...]
    channels_off_paper: int
    sweeps: int
    home: Home


@dataclass(frozen=True, kw_only=True)
class Described:
    """The machine and the method."""

    parts: tuple[PartRow, ...]
    parts_off_paper: int
    read_from: str
    sockets: tuple[SocketRow, ...]
    stages: tuple[method.StageRow, ...]
    decision_rule: str
    fold_rule: str
    plan_about: str
    versions: tuple[method.Version, ...]
    plugins: tuple[method.Version, ...]
    cautions: tuple[str, ...]
    cautions_answer: str
    journal_lines: int
    journal_head: str
    journal_state: str
    signer: str


@dataclass(frozen=True, kw_only=True)
class Page:
    """A certificate, ready to print."""

    title: str
    head: Head
    judged: Judged
    measured: Measured
    described: Described


def certificate_page(
    view: RunView, findings: Sequence[Finding], verdict: Verdict, *, signer: str = ""
) -> Page:
    """Return the certificate of a run as values; ``signer`` is the fingerprint of the key that will sign it."""
    stages = view.stage_spans()
    totals = load_totals(view)
    head = _head(view, findings, verdict, totals)
    return Page(
        title=shortened(f"Acceptance certificate, run {head.run_id}", 120),
        head=head,
        judged=_judged(view, findings, verdict),
        measured=_measured(view, stages, totals, findings),
        described=_described(view, signer),
    )


def _head(
    view: RunView, findings: Sequence[Finding], verdict: Verdict, totals: tuple[LoadTotals, ...]
) -> Head:
    workshop = view.opened.workshop
    reasons = verdict_reasons(findings, verdict)
    beyond, sentence = notes.beyond_ratings(view)
    return Head(
        run_id=shown_text(view.opened.run_id),
        rehearsal=REHEARSAL if view.opened.rehearsal else "",
        workshop=shown_text(workshop.name),
        address=tuple(shown_text(line) for line in workshop.address),
        contact=shown_text(workshop.contact),
        signatory=shown_text(workshop.signatory),
        logo=base64.b64encode(workshop.logo_svg.encode("utf-8", "replace")).decode("ascii"),
        standing=verdict.standing,
        verdict=verdict_line(verdict, findings),
        reasons=reasons[:_MOST_REASONS],
        more_reasons=max(0, len(reasons) - _MOST_REASONS),
        counts=outcome_counts(findings),
        issued=clock(local_time(view.opened.anchor, view.end_ns)),
        key_figures=_key_figures(view, totals, findings),
        order=identity.order_facts(view),
        test=identity.run_facts(view),
        conditions=identity.condition_facts(view),
        beyond=sentence,
        notes=(notes.warranty_note(beyond), *notes.NOTES),
    )


def _key_figures(
    view: RunView, totals: tuple[LoadTotals, ...], findings: Sequence[Finding]
) -> tuple[KeyFigure, ...]:
    faults = judgement.fault_count(view)
    pieces = sum(item.steps for item in totals)
    note = f"in {pieces:,} checked pieces of work".replace(",", "\u202f")
    figures = [
        KeyFigure(value=str(faults), name="wrong result" if faults == 1 else "wrong results", note=note),
        KeyFigure(value=span(_loaded_s(view, totals)), name="under load"),
    ]
    for role, name in (("cpu_hottest", "hottest CPU reading"), ("graphics", "hottest graphics reading")):
        figures.append(_hottest(view, role, name, findings))
    return tuple(figures)


def _loaded_s(view: RunView, totals: tuple[LoadTotals, ...]) -> float:
    """Return for how long at least one load was running, by stages."""
    longest: dict[int, float] = {}
    for item in totals:
        longest[item.started.stage] = max(longest.get(item.started.stage, 0.0), item.span_s)
    return min(sum(longest.values()), view.end_ns / 1e9)


def _hottest(view: RunView, role: str, name: str, findings: Sequence[Finding]) -> KeyFigure:
    judged = judged_limits(findings)
    peaks: list[tuple[float, str]] = []
    for index, channel in enumerate(view.channels):
        if channel.role == role and channel.quantity == "temperature":
            values = good_column(view, index)
            limit = channel_limit(view.opened.plan.limits, judged, channel)
            note = f"limit {figure(limit, 'degC')}" if limit is not None else "held against no limit"
            peaks += [(float(np.nanmax(values)), note)] if np.any(np.isfinite(values)) else []
    if not peaks:
        reason = shortened(f"because {reason_absent(view, 'temperature')}", 120)
        return KeyFigure(value="not measured", name=name, note=reason)
    hottest, note = max(peaks)
    return KeyFigure(value=figure(hottest, "degC"), name=name, note=note)


def _judged(view: RunView, findings: Sequence[Finding], verdict: Verdict) -> Judged:
    elsewhere = judgement.checklist_findings(view, findings)
    rows = judgement.finding_rows(
        [finding for index, finding in enumerate(findings) if index not in elsewhere], verdict
    )
    checklist = view.opened.checklist
    points = judgement.open_points(view, findings)
    judged = sum(point.count for point in points if point.judged)
    return Judged(
        findings=tuple(row for row in rows if row.paper),
        more_findings=tuple(row for row in rows if not row.paper),
        not_applicable=", ".join(
            dict.fromkeys(row.criterion for row in rows if row.outcome == "not_applicable")
        ),
        checklist_title=shown_text(checklist.title) if checklist else "",
        checklist_about=shown_text(checklist.about) if checklist else "",
        checks=judgement.check_rows(view, findings),
        open_points=points,
        open_judged=counted(judged, "judgement") if judged else "",
        faults=judgement.fault_rows(view),
        fault_count=judgement.fault_count(view),
        deviations=deviations(view),
        remarks=remarks(view),
    )


def _measured(
    view: RunView, stages: tuple[StageSpan, ...], totals: tuple[LoadTotals, ...], findings: Sequence[Finding]
) -> Measured:
    end_s = view.end_ns / 1e9
    channels = channel_rows(view)
    groups = trace_groups(view, findings)
    cores = core_rows(totals)
    return Measured(
        charts=tuple(
            chart(group, stages, end_s=end_s, height=_TALL if group.key == "temperature" else _LOW)
            for group in groups
        ),
        rate=chart(rate_group(view, stages), stages, end_s=end_s, height=_LOW),
        stages=tuple((number, shown_text(stage.name)) for number, stage in enumerate(stages, start=1)),
        heat=heat_strip(view, _core_reason(view)),
        work=work_rows(totals, stages),
        cores=cores,
        cores_brief=_cores_brief(cores),
        channels=channels,
        channels_off_paper=sum(not row.paper for row in channels),
        sweeps=len(view.t_ns),
        home=home(view),
    )


def _cores_brief(cores: tuple[CoreRow, ...]) -> str:
    """Return in one line that no core was wrong, empty where one was."""
    if any(row.faults for row in cores):
        return ""
    return f"no wrong result on any core a load was tied to ({ranges([row.core for row in cores])})."


def _core_reason(view: RunView) -> str:
    if any(channel.quantity == "temperature" for channel in view.channels):
        return "this machine reports no temperature core by core"
    return reason_absent(view, "temperature")


def _described(view: RunView, signer: str) -> Described:
    parts = machine_rows(view.inventory)
    integrity = view.integrity
    return Described(
        parts=parts,
        parts_off_paper=sum(not row.paper for row in parts),
        read_from=shown_text(view.inventory.read_from),
        sockets=socket_rows(view.inventory),
        stages=method.stage_rows(view),
        decision_rule=method.decision_rule(view.opened.plan),
        fold_rule=f"{method.fold_rule(view.opened.plan)}{method.array_note(view)}",
        plan_about=shown_text(view.opened.plan.about),
        versions=method.versions(view),
        plugins=method.plugin_versions(view),
        cautions=notes.CAUTIONS,
        cautions_answer=notes.cautions_answer(view),
        journal_lines=integrity.lines,
        journal_head=shown_text(integrity.head_sha256),
        journal_state=shown_text(integrity.trouble)
        or f"unbroken chain, {counted(integrity.dropped_bytes, 'byte')} left out",
        signer=shown_text(signer),
    )
