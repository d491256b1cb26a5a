"""From a judged run to what the ledger keeps of it. Pure: the same journal gives the same rows anywhere."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

from burnin.calc.refusal import Refusal
from burnin.calc.run_facts import cut_off
from burnin.ledger.rows import Entry, FigureRow, FindingRow, PartRow, RunRow
from burnin.ledger.words import search_text
from burnin.records.codec import sha256_hex, to_json
from burnin.records.events import FaultFound
from burnin.records.findings import Finding, Verdict
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Order
from burnin.records.plan import Plan
from burnin.records.view import RunView
from burnin.review.family import family_figures
from burnin.review.run_figures import has_room, run_figures

_UNSTORABLE: Final = re.compile("[\x00-\x1f\x7f\ud800-\udfff]")
_NO_ORDER: Final = Order(format=1, order="")


def entry_of(view: RunView, findings: Sequence[Finding], verdict: Verdict, *, folder: str) -> Entry:
    """Return what the ledger keeps of a run.

    Args:
        view: The run.
        findings: All its judgements.
        verdict: What they fold to.
        folder: Where its journal is.
    """
    opened, order = view.opened, view.opened.order or _NO_ORDER
    parts = (*_found(view.inventory), *_ordered(order))
    texts = [
        opened.run_id,
        order.order,
        order.customer,
        order.serial,
        order.machine,
        order.remarks,
        opened.note,
    ]
    texts += [text for part in parts for text in (part.name, part.serial)]
    run = _run_row(view, verdict, folder=folder, words=search_text(texts))
    return Entry(run=run, parts=parts, figures=figure_rows(view), findings=tuple(map(_finding, findings)))


def _run_row(view: RunView, verdict: Verdict, *, folder: str, words: str) -> RunRow:
    opened, order = view.opened, view.opened.order or _NO_ORDER
    return RunRow(
        run_id=_clean(opened.run_id),
        began_ns=opened.anchor.wall_ns,
        utc_offset_s=opened.anchor.utc_offset_s,
        span_s=view.end_ns / 1e9,
        standing=verdict.standing,
        exit_code=verdict.exit_code,
        first_look=verdict.first_look,
        rehearsal=opened.rehearsal,
        waivers=len(verdict.waivers),
        wrong_results=sum(1 for _ in view.of(FaultFound)),
        cut_off=cut_off(view),
        plan=_clean(opened.plan.name),
        stages_sha256=stages_digest(opened.plan),
        order_no=_clean(order.order),
        customer=_clean(order.customer),
        serial=_clean(order.serial),
        machine=_clean(order.machine),
        retest_of=_clean(opened.retest_of),
        note=_clean(opened.note),
        workshop=_clean(opened.workshop.name),
        software=_clean(opened.software.burnin),
        machine_sha256=machine_digest(view),
        cpu=_clean(view.inventory.cpu.model or ""),
        cooler=_ordered_name(order, "cooler"),
        housing=_ordered_name(order, "case"),
        board=board_text(view.inventory),
        journal_lines=view.integrity.lines,
        journal_sha256=view.integrity.head_sha256,
        journal_trouble=_clean(view.integrity.trouble),
        folder=_clean(folder),
        words=words,
    )


def figure_rows(view: RunView) -> tuple[FigureRow, ...]:
    """Return the figures of a run: steady ends of its hot stages, above the room where that was measured, and as read."""
    figures = list(run_figures(view, off_room=False))
    if has_room(view):
        figures += [one for one in run_figures(view, off_room=True) if one.above_room]
        figures += family_figures(view)
    rows = {}
    for one in figures:
        if isinstance(one.level, Refusal):
            continue
        row = FigureRow(
            stage=_clean(one.stage),
            name=_clean(one.name),
            label=_clean(one.label),
            unit=_clean(one.unit),
            value=one.level.mean,
            u=one.level.u,
            df=one.level.df,
        )
        rows[row.stage, row.name, row.unit] = row
    return tuple(rows.values())


def stages_digest(plan: Plan) -> str:
    """Return a digest of what a plan does to a machine: its stages, without the rules it is judged by."""
    plain = [(one.name, one.kind, one.longest_s, one.until, one.shape, one.loads) for one in plan.stages]
    return sha256_hex(to_json([plan.sample_hz, plain]))


def machine_digest(view: RunView) -> str:
    """Return a digest of what tells this machine, as it is set, from others: parts, firmware, memory speed, serials.

    Two machines whose firmware states no serial number and whose order names none are told apart by nothing: the
    digest is empty then, and their runs are never taken for runs of one machine.
    """
    inventory, order = view.inventory, view.opened.order or _NO_ORDER
    serials = [order.serial, inventory.board.serial, inventory.board.system_serial]
    serials += [drive.serial for drive in inventory.storage.drives if not drive.removable]
    serials += [port.mac for port in inventory.network.ports]
    if not any(serials):
        return ""
    cpu, board = inventory.cpu, inventory.board
    settings = [
        (cpu.model, cpu.microcode, cpu.governor, cpu.logical),
        (board.maker, board.product, board.firmware_version),
        [(one.slot, one.size_bytes, one.configured_mts, one.part_number) for one in inventory.memory.modules],
        [(card.name, card.address) for card in inventory.graphics.cards],
    ]
    return sha256_hex(to_json([serials, settings]))


def board_text(inventory: Inventory) -> str:
    """Return board and firmware version in one text: what package power figures depend on."""
    board = inventory.board
    known = [text for text in (board.maker, board.product) if text]
    firmware = f"firmware {board.firmware_version}" if board.firmware_version else ""
    return _clean(", ".join(filter(None, [" ".join(known), firmware]))) if known else ""


def _found(inventory: Inventory) -> Iterator[PartRow]:
    yield from _part("cpu", inventory.cpu.model)
    board = inventory.board
    yield from _part("board", " ".join(filter(None, [board.maker, board.product])), board.serial)
    for module in inventory.memory.modules:
        if module.size_bytes != 0:
            yield from _part(
                "memory", " ".join(filter(None, [module.maker, module.part_number])), module.serial
            )
    for card in inventory.graphics.cards:
        yield from _part("graphics", card.name)
    for drive in inventory.storage.drives:
        yield from _part("storage", drive.model, drive.serial)


def _part(part: str, name: str | None, serial: str | None = None) -> Iterator[PartRow]:
    if name or serial:
        yield PartRow(part=part, name=_clean(name or ""), serial=_clean(serial or ""))


def _ordered(order: Order) -> Iterator[PartRow]:
    for part in order.parts:
        for _ in range(min(part.count, 16)):
            yield PartRow(part=_clean(part.part), name=_clean(part.text), found=False)


def _ordered_name(order: Order, kind: str) -> str:
    return _clean("; ".join(part.text for part in order.parts if part.part == kind))


def _finding(finding: Finding) -> FindingRow:
    return FindingRow(
        criterion=_clean(finding.criterion),
        slug=_clean(finding.slug),
        outcome=finding.outcome,
        required=finding.required,
        subject=_clean(finding.subject),
        stage=_clean(finding.stage),
    )


def _clean(text: str) -> str:
    """Return text that every database takes: no control characters, nothing that is no character."""
    return _UNSTORABLE.sub("\ufffd", text)
