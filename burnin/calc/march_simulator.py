"""Bit-level fault simulator: which memory faults a march test must find, whatever the memory held before.

Every fault is put alone into a small array of one-bit cells. A fault counts as detected only if every initial content
and every choice for the elements of free direction leads to a read that differs from what the march expects: the
worst case. The fault classes are the unlinked ones of A. J. van de Goor, "Using march tests to test SRAMs", IEEE
Design & Test of Computers 10(1), 1993. Which faults make up a class is our own list, so partial counts are ours;
"all" and "none" can be held against the literature.

The simulator follows `march.walk`, the same walk as the engine on real memory, in blocks as well as cell by cell.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import permutations, product
from typing import Final, assert_never

import numpy as np
from numpy.typing import NDArray

from burnin.calc.march import MARCHES, March, walk

MAX_CELLS: Final = 8
"""All 2^cells initial contents are tried, so the array stays small."""

_Bits = NDArray[np.uint8]


class FaultClass(StrEnum):
    """Classes of faults, with the short names of the trade."""

    STUCK_AT = "SAF"
    TRANSITION = "TF"
    COUPLING_INVERSION = "CFin"
    COUPLING_IDEMPOTENT = "CFid"
    COUPLING_STATE = "CFst"
    ADDRESS_DECODER = "AF"


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault in the array.

    Attributes:
        aggressor: Cell (for an address fault: address) that causes the fault.
        victim: Cell that suffers; the same cell for faults of a single cell.
        trigger: Stuck-at: the value stuck at. Transition: the value that cannot be reached. Coupling inversion and
            idempotent: the value the aggressor changes to. Coupling state: the value the aggressor holds. Address: 0
            no cell is reached, 1 another cell is reached instead, 2 another cell is reached as well.
        forced: Coupling idempotent and state: the value forced on the victim. Address: the value read where no cell
            answers; where two answer, 1 if either one pulls the line up, 0 if either pulls it down.
    """

    aggressor: int
    victim: int
    trigger: int
    forced: int


NO_CELL, OTHER_CELL, BOTH_CELLS = 0, 1, 2


def faults_of(kind: FaultClass, *, cells: int) -> tuple[Fault, ...]:
    """Return every fault of a class in an array of `cells` cells."""
    singles = [(cell, cell) for cell in range(cells)]
    pairs = list(permutations(range(cells), 2))
    bits = (0, 1)
    match kind:
        case FaultClass.STUCK_AT | FaultClass.TRANSITION:
            rows: Iterable[tuple[tuple[int, int], int, int]] = product(singles, bits, (0,))
        case FaultClass.COUPLING_INVERSION:
            rows = product(pairs, bits, (0,))
        case FaultClass.COUPLING_IDEMPOTENT | FaultClass.COUPLING_STATE:
            rows = product(pairs, bits, bits)
        case FaultClass.ADDRESS_DECODER:
            rows = (
                *product(singles, (NO_CELL,), bits),
                *product(pairs, (OTHER_CELL,), (0,)),
                *product(pairs, (BOTH_CELLS,), bits),
            )
        case unknown:
            assert_never(unknown)
    return tuple(Fault(aggressor=a, victim=v, trigger=t, forced=f) for (a, v), t, f in rows)


class _Bank:
    """Copies of the array, one for each fault and each initial content, worked on together."""

    def __init__(self, kind: FaultClass, faults: tuple[Fault, ...], *, cells: int) -> None:
        self.kind = kind
        self.aggressor = np.array([fault.aggressor for fault in faults])
        self.victim = np.array([fault.victim for fault in faults])
        self.trigger = np.array([[fault.trigger] for fault in faults], dtype=np.uint8)
        self.forced = np.array([[fault.forced] for fault in faults], dtype=np.uint8)
        contents = np.array(list(product((0, 1), repeat=cells)), dtype=np.uint8)
        self.bits = np.tile(contents, (len(faults), 1, 1))  # fault, initial content, cell
        self.rows = np.arange(len(faults))
        self._hold()

    def write(self, cell: int, value: int) -> None:
        """Write a value through an address; every copy suffers its own fault."""
        if self.kind is FaultClass.ADDRESS_DECODER:
            self._write_decoded(cell, value)
            return
        old = self.bits[:, :, cell].copy()
        self.bits[:, :, cell] = value
        changed = (self.aggressor == cell)[:, None] & (old != value) & (self.trigger == value)
        match self.kind:
            case FaultClass.TRANSITION:
                self.bits[:, :, cell] = np.where(changed, old, value)
            case FaultClass.COUPLING_INVERSION:
                self.bits[self.rows, :, self.victim] ^= changed
            case FaultClass.COUPLING_IDEMPOTENT:
                victims = self.bits[self.rows, :, self.victim]
                self.bits[self.rows, :, self.victim] = np.where(changed, self.forced, victims)
            case _:
                self._hold()

    def read(self, cell: int) -> _Bits:
        """Return what a read through an address gives, by fault and initial content."""
        plain = self.bits[:, :, cell]
        if self.kind is not FaultClass.ADDRESS_DECODER:
            return plain
        other = self.bits[self.rows, :, self.victim]
        both = np.where(self.forced == 1, plain | other, plain & other)
        faulty = np.where(
            self.trigger == NO_CELL, self.forced, np.where(self.trigger == OTHER_CELL, other, both)
        )
        return np.where((self.aggressor == cell)[:, None], faulty, plain)

    def _hold(self) -> None:
        """Enforce the faults that act all the time: stuck cells, and victims of a state."""
        victims = self.bits[self.rows, :, self.victim]
        if self.kind is FaultClass.STUCK_AT:
            self.bits[self.rows, :, self.victim] = np.broadcast_to(self.trigger, victims.shape)
        elif self.kind is FaultClass.COUPLING_STATE:
            active = self.bits[self.rows, :, self.aggressor] == self.trigger
            self.bits[self.rows, :, self.victim] = np.where(active, self.forced, victims)

    def _write_decoded(self, cell: int, value: int) -> None:
        """Write where each copy's decoder leads to."""
        hit = self.aggressor == cell
        reaches_own = ~hit | (self.trigger[:, 0] == BOTH_CELLS)
        reaches_other = hit & (self.trigger[:, 0] != NO_CELL)
        self.bits[reaches_own, :, cell] = value
        self.bits[self.rows[reaches_other], :, self.victim[reaches_other]] = value


def detected_faults(march: March, kind: FaultClass, *, cells: int = 3, block: int = 1) -> tuple[bool, ...]:
    """Say for every fault of a class whether the march finds it in every case.

    Args:
        march: The test.
        kind: Class of faults.
        cells: Cells in the array, 2 to `MAX_CELLS`.
        block: Cells handled together by the engine; 1 is the published march.

    Returns:
        One value for each fault, in the order of `faults_of`.

    Raises:
        ValueError: A count is outside its range.
    """
    if not 2 <= cells <= MAX_CELLS:
        raise ValueError(f"{cells} cells: must be 2 to {MAX_CELLS}")
    faults = faults_of(kind, cells=cells)
    always = np.ones(len(faults), dtype=bool)
    for directions in product((True, False), repeat=march.free_choices):
        bank = _Bank(kind, faults, cells=cells)
        seen = np.zeros(bank.bits.shape[:2], dtype=bool)
        for sweep in walk(march, cells=cells, block=block, free_upward=directions):
            for cell in range(sweep.first, sweep.stop):
                if sweep.op.writes:
                    bank.write(cell, sweep.op.value)
                else:
                    seen |= bank.read(cell) != sweep.op.value
        always &= seen.all(axis=1)
    return tuple(bool(found) for found in always)


@dataclass(frozen=True, kw_only=True)
class Cover:
    """How many faults of one class a march finds in the worst case."""

    kind: FaultClass
    detected: int
    total: int

    def __str__(self) -> str:
        return "all" if self.detected == self.total else f"{self.detected}/{self.total}"


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the coverage table.

    Attributes:
        march: Name of the test.
        ops_per_cell: Operations on each cell.
        block: Cells handled together; 1 is the published march.
        covers: One entry for each fault class, in the order of `FaultClass`.
    """

    march: str
    ops_per_cell: int
    block: int
    covers: tuple[Cover, ...]


def coverage(march: March, *, cells: int = 3, block: int = 1) -> Row:
    """Return the coverage of one march.

    Raises:
        ValueError: A count is outside its range.
    """
    found = {kind: detected_faults(march, kind, cells=cells, block=block) for kind in FaultClass}
    covers = tuple(Cover(kind=kind, detected=sum(hits), total=len(hits)) for kind, hits in found.items())
    return Row(march=march.name, ops_per_cell=march.ops_per_cell, block=block, covers=covers)


def coverage_table(cells: int = 3, block: int | None = None) -> tuple[Row, ...]:
    """Return the coverage of every march on hand.

    Args:
        cells: Cells in the simulated array, 2 to `MAX_CELLS`.
        block: Cells the engine handles together; None for the published march, cell by cell. A block of `cells` or
            more stands for two cells of real memory that lie in the same block.

    Raises:
        ValueError: A count is outside its range.
    """
    return tuple(coverage(march, cells=cells, block=1 if block is None else block) for march in MARCHES)


def render_coverage(rows: tuple[Row, ...]) -> str:
    """Return the table as plain text, one line for each march and block size."""
    head = ("test", "ops", "block", *FaultClass)
    body = [
        (
            row.march,
            f"{row.ops_per_cell}N",
            str(row.block) if row.block > 1 else "cell",
            *map(str, row.covers),
        )
        for row in rows
    ]
    widths = [max(len(line[column]) for line in (head, *body)) for column in range(len(head))]
    lines = (
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        for line in (head, *body)
    )
    return "\n".join(line.rstrip() for line in lines) + "\n"
