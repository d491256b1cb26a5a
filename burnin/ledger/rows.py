"""What the ledger keeps of a run: one row with its parts, figures and judgements, all worked out from the journal."""

from __future__ import annotations

from burnin.records.base import Record


class PartRow(Record, frozen=True, kw_only=True):
    """One part of the machine, as ordered or as found.

    Attributes:
        part: Kind of part (``cpu``, ``memory``, ``cooler`` ...).
        name: What it is, as ordered or as the machine states it.
        serial: Serial number, empty where none is known.
        found: True when it was read from the machine, False when only the order sheet names it.
    """

    part: str
    name: str
    serial: str = ""
    found: bool = True


class FigureRow(Record, frozen=True, kw_only=True):
    """One figure of a run that can be followed over runs and builds.

    Attributes:
        stage: Stage it was taken in; empty for the whole run.
        name: Which figure, stable over versions.
        label: What people call it.
        unit: Its unit.
        value: The figure.
        u: Standard uncertainty from the run's own trace, allowing for autocorrelation; None where unknown.
        df: Degrees of freedom of ``u``; None where unknown.
    """

    stage: str
    name: str
    label: str
    unit: str
    value: float
    u: float | None = None
    df: float | None = None


class FindingRow(Record, frozen=True, kw_only=True):
    """One judgement, as far as the workshop counts them."""

    criterion: str
    slug: str
    outcome: str
    required: bool
    subject: str = ""
    stage: str = ""


class RunRow(Record, frozen=True, kw_only=True):
    """One run.

    Attributes:
        run_id: Unique id.
        began_ns: Time of its beginning since 1970-01-01 UTC, nanoseconds.
        utc_offset_s: Local time minus UTC.
        span_s: Length.
        standing: ``accepted``, ``rejected`` or ``inconclusive``.
        exit_code: Exit code of the verdict.
        first_look: True when the plan was too short to accept anything.
        rehearsal: True on a simulated bench.
        waivers: Waivers that changed the standing.
        wrong_results: Wrong results found.
        cut_off: ``reset``, ``orderly`` or ``harness`` for a run that was cut off; empty for one that was closed.
        plan: Name of the plan.
        stages_sha256: Digest of what was done: stages, loads and limits, whatever the plan is called.
        order_no: The workshop's order number.
        customer: Customer reference.
        serial: Serial number of the machine.
        machine: What the machine is called.
        retest_of: Run this one follows, empty for none.
        note: Operator's note.
        workshop: Who tested.
        software: Version of this program that tested.
        machine_sha256: Digest of what tells this machine and its settings from others.
        cpu: Processor model, empty where unknown.
        cooler: Cooler as ordered, empty where the order names none.
        housing: Case as ordered, empty where the order names none.
        board: Board with its firmware version, empty where unknown.
        journal_lines: Good lines of the journal.
        journal_sha256: Hash of its last good line.
        journal_trouble: What is wrong with the rest, empty for nothing.
        folder: Where the journal was when it was imported.
        words: Normalised words for the search.
        erased: True when the customer's data were erased.
    """

    run_id: str
    began_ns: int
    utc_offset_s: int
    span_s: float
    standing: str
    exit_code: int
    first_look: bool
    rehearsal: bool
    waivers: int
    wrong_results: int
    cut_off: str
    plan: str
    stages_sha256: str
    order_no: str
    customer: str
    serial: str
    machine: str
    retest_of: str
    note: str
    workshop: str
    software: str
    machine_sha256: str
    cpu: str
    cooler: str
    housing: str
    board: str
    journal_lines: int
    journal_sha256: str
    journal_trouble: str
    folder: str
    words: str
    erased: bool = False


class Entry(Record, frozen=True, kw_only=True):
    """A run with everything the ledger keeps of it."""

    run: RunRow
    parts: tuple[PartRow, ...] = ()
    figures: tuple[FigureRow, ...] = ()
    findings: tuple[FindingRow, ...] = ()
