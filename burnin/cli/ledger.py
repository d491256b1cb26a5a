"""``burnin ledger``: the shop's records. A list does not wait for the numeric library."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import msgspec

from burnin.cli.ledger_place import open_ledger
from burnin.cli.screen import say, say_json
from burnin.errors import InputError
from burnin.ledger.queries import Wanted, all_entries, list_runs, read_entry, run_ids_beginning
from burnin.ledger.rows import Entry, RunRow
from burnin.records.codec import to_json
from burnin.records.events import Anchor
from burnin.report.figures import clock, figure, local_time, span
from burnin.report.words import shown_text

_MOST_DAYS: Final = 36_500
_DAY_NS: Final = 86_400_000_000_000


def ledger(options: argparse.Namespace) -> int:
    """Do what was asked of the ledger and return the exit code."""
    match options.action:
        case "list":
            return _list(options)
        case "show":
            return _show(options)
        case "import":
            _one_thread()
            from burnin.cli.ledger_import import import_runs

            return import_runs(options)
        case "rebuild":
            _one_thread()
            from burnin.cli.ledger_import import rebuild

            return rebuild(options)
        case "trend":
            from burnin.cli.ledger_trend import trend

            return trend(options)
        case "export":
            return _export(options)
        case _:
            return _forget(options)


def _one_thread() -> None:
    """Keep the numeric library, not loaded yet, to one thread: small fits are slower with more, and processes share the work."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _list(options: argparse.Namespace) -> int:
    if options.most < 0:
        raise InputError(f"--most {options.most}: expected 0 or more", slug="ledger-most")
    wanted = Wanted(
        words=" ".join(options.words),
        order_no=options.order_number,
        serial=options.serial,
        customer=options.customer,
        part=options.part,
        standing=options.verdict,
        most=options.most,
    )
    books = open_ledger(options.url)
    try:
        runs = list_runs(books.database, wanted)
        note = books.database.search_note if wanted.words or wanted.part else ""
    finally:
        books.close()
    if options.json:
        say_json({"runs": [run_json(run) for run in runs], "note": note})
        return 0
    head = ("began", "run", "verdict", "wrong", "order", "customer", "serial", "plan")
    say("\n".join(columns([head, *(_cells(run) for run in runs)])))  # ten thousand lines at once
    if options.most and len(runs) == options.most:
        say(f"The newest {len(runs)} are shown; --most 0 shows all.")
    if note:
        say(f"Note: {note}")
    return 0


def _cells(run: RunRow) -> tuple[str, ...]:
    mark = " (rehearsal)" if run.rehearsal else " (first look)" if run.first_look else ""
    customer = "(erased)" if run.erased else run.customer
    texts = (
        run.run_id,
        run.standing + mark,
        str(run.wrong_results),
        run.order_no,
        customer,
        run.serial,
        run.plan,
    )
    return (began_text(run)[:16], *(shown_text(text) for text in texts))


def began_text(run: RunRow) -> str:
    """Return when a run began, in the local time of the place of test."""
    return clock(
        local_time(Anchor(wall_ns=run.began_ns, utc_offset_s=run.utc_offset_s, mono_ns=0, boot_ns=0))
    )


def columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Return rows of cells as lines with aligned columns."""
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def run_json(run: RunRow) -> dict[str, Any]:
    """Return a run for programs; the words of the search are left out."""
    return {name: getattr(run, name) for name in run.__struct_fields__ if name != "words"}


def entry_json(entry: Entry) -> dict[str, Any]:
    """Return everything on record about a run for programs."""
    return {
        "run": run_json(entry.run),
        "parts": [msgspec.structs.asdict(part) for part in entry.parts],
        "figures": [msgspec.structs.asdict(one) for one in entry.figures],
        "findings": [msgspec.structs.asdict(one) for one in entry.findings],
    }


def _show(options: argparse.Namespace) -> int:
    books = open_ledger(options.url)
    try:
        ids = run_ids_beginning(books.database, options.run)
        ids = (options.run,) if options.run in ids else ids
        entry = read_entry(books.database, ids[0]) if len(ids) == 1 else None
    finally:
        books.close()
    if entry is None:
        found = f"{len(ids)} runs" if ids else "no run"
        raise InputError(
            f"ledger show {options.run}: found {found} on record of that id; expected one",
            slug="ledger-no-run",
            hint="Run: burnin ledger list",
        )
    if options.json:
        say_json(entry_json(entry))
        return 0
    for line in _entry_lines(entry):
        say(line)
    return 0


def _entry_lines(entry: Entry) -> list[str]:
    run = entry.run
    facts = (
        ("began", began_text(run)),
        ("length", span(run.span_s)),
        ("verdict", run.standing),
        ("wrong results", str(run.wrong_results)),
        ("plan", run.plan),
        ("order", run.order_no),
        ("customer", "erased" if run.erased else run.customer),
        ("serial", run.serial),
        ("machine", run.machine),
        ("follows run", run.retest_of),
        ("note", run.note),
        ("cut off by", run.cut_off),
        ("journal", f"{run.journal_lines} lines, {run.journal_sha256[:16]}..., {run.folder}"),
    )
    lines = [f"Run {shown_text(run.run_id)}"]
    lines += [f"  {name}: {shown_text(text)}" for name, text in facts if text]
    lines += ["Parts"] + [
        f"  {shown_text(_part_line(part.part, part.name, part.serial, part.found))}" for part in entry.parts
    ]
    lines += ["Figures"] + [
        f"  {shown_text(one.stage)}: {shown_text(one.label)} {figure(one.value, one.unit)} ({shown_text(one.name)})"
        for one in entry.figures
    ]
    lines += ["Judgements that did not pass"]
    lines += [
        f"  {shown_text(one.criterion)}: {one.outcome} {shown_text(one.subject)}".rstrip()
        for one in entry.findings
        if one.outcome != "pass"
    ]
    return lines


def _part_line(part: str, name: str, serial: str, found: bool) -> str:
    return f"{part}: {name}{f', serial {serial}' if serial else ''}{'' if found else ' (as ordered)'}"


def _export(options: argparse.Namespace) -> int:
    books = open_ledger(options.url)
    try:
        entries = all_entries(books.database)
    finally:
        books.close()
    lines = [to_json(entry_json(entry)).decode("utf-8") for entry in entries]
    if not options.out:
        if lines:
            say("\n".join(lines))
        return 0
    from burnin.cli.outcome import write_whole

    write_whole(Path(options.out), "".join(f"{line}\n" for line in lines).encode("utf-8"))
    if options.json:
        say_json({"written": len(lines), "file": options.out})
    else:
        say(f"{len(lines)} runs written to {options.out}")
    return 0


def _forget(options: argparse.Namespace) -> int:
    from burnin.host.clock import RealClock

    if not options.customer and not 0 <= options.older_than <= _MOST_DAYS:
        raise InputError(
            f"--older-than {options.older_than:g}: expected days from 0 to {_MOST_DAYS}", slug="ledger-forget"
        )
    now_ns = RealClock().wall_ns()
    before_ns = now_ns if options.customer else now_ns - round(options.older_than * _DAY_NS)
    books = open_ledger(options.url)
    try:
        if not options.yes:
            _refuse(options.customer, books.of_customer(options.customer) if options.customer else None)
        done = (
            books.forget(options.customer, now_ns=now_ns)
            if options.customer
            else books.forget_before(before_ns)
        )
    finally:
        books.close()
    folders = [folder for folder in done.folders if folder and Path(folder).exists()]
    if options.json:
        say_json({"erased": list(done.run_ids), "journals_that_still_hold_the_data": folders})
        return 0
    say(f"Customer's data erased from {len(done.run_ids)} runs; verdicts and figures stay, without a name.")
    if folders:
        say(
            "These journals still hold the data. To edit them would break their chain and their seal: keep them as long as you"
        )
        say("must, then delete each folder as a whole, with its copies.")
    for folder in folders:
        say(f"  {folder}")
    return 0


def _refuse(customer: str | None, runs: tuple[str, ...] | None) -> None:
    what = "every customer's data from old runs" if runs is None else f"'{customer}' from {len(runs)} runs"
    raise InputError(
        f"ledger forget: this would erase {what}, for good; nothing was done",
        slug="ledger-forget",
        hint="Add --yes to erase.",
    )
