"""Coverage of march tests: the published claims cell by cell, and a second, plain simulator beside the fast one."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest

from burnin.calc.march import MARCHES, March, march_named, walk
from burnin.calc.march_simulator import (
    Fault,
    FaultClass,
    coverage,
    coverage_table,
    detected_faults,
    faults_of,
    render_coverage,
)

ALL = "all"
# Claims of the literature for unlinked faults (A. J. van de Goor, IEEE Design & Test 10(1), 1993; as remembered).
# Only the absolute cells are held against it; None is a partial cell, whose count depends on how faults are counted.
PUBLISHED = {
    "MATS": (ALL, None, None, None, None, None),
    "MATS+": (ALL, None, None, None, None, ALL),
    "MATS++": (ALL, ALL, None, None, None, ALL),
    "March X": (ALL, ALL, ALL, None, None, ALL),
    "March Y": (ALL, ALL, ALL, None, None, ALL),
    "March C-": (ALL,) * 6,
    "March A": (ALL,) * 6,
    "March B": (ALL,) * 6,
    "March U": (ALL,) * 6,
}
# Our own counts, by a separate program over the same definitions with three cells.
OURS = {
    "MATS": ("all", "3/6", "6/12", "0/24", "12/24", "18/24"),
    "MATS+": ("all", "3/6", "9/12", "9/24", "18/24", "all"),
    "MATS++": ("all", "all", "9/12", "9/24", "18/24", "all"),
    "March X": ("all", "all", "all", "12/24", "18/24", "all"),
    "March Y": ("all", "all", "all", "12/24", "18/24", "all"),
}


@pytest.mark.parametrize("cells", [2, 3, 4])
def test_absolute_claims_of_the_literature_hold(cells: int) -> None:
    for row in coverage_table(cells):
        for cover, claim in zip(row.covers, PUBLISHED[row.march], strict=True):
            assert claim is None or str(cover) == claim, (row.march, cover)


def test_partial_cells_are_partial_and_as_counted_before() -> None:
    table = {row.march: tuple(map(str, row.covers)) for row in coverage_table()}
    assert set(table) == set(PUBLISHED)
    for name, cells in OURS.items():
        assert table[name] == cells
        # A cell that the literature does not claim is really not reached.
        assert all(cell != ALL for cell, claim in zip(cells, PUBLISHED[name], strict=True) if claim is None)


def plain_detects(march: March, kind: FaultClass, fault: Fault, *, cells: int, block: int) -> bool:
    """Simulate one fault with plain lists, one case at a time, written separately from the fast simulator."""
    cases = product(product((0, 1), repeat=cells), product((True, False), repeat=march.free_choices))
    return all(plain_run(march, kind, fault, start, free, block) for start, free in cases)


def plain_run(
    march: March, kind: FaultClass, f: Fault, start: tuple[int, ...], free: tuple[bool, ...], block: int
) -> bool:
    memory = list(start)

    def settle() -> None:
        if kind == "SAF":
            memory[f.victim] = f.trigger
        if kind == "CFst" and memory[f.aggressor] == f.trigger:
            memory[f.victim] = f.forced

    def reached(address: int) -> list[int]:
        if kind != "AF" or address != f.aggressor:
            return [address]
        return {0: [], 1: [f.victim], 2: [address, f.victim]}[f.trigger]

    settle()
    for sweep in walk(march, cells=len(start), block=block, free_upward=free):
        value = sweep.op.value
        for address in range(sweep.first, sweep.stop):
            places = reached(address)
            if not sweep.op.writes:
                answers = [memory[place] for place in places] or [f.forced]
                read = answers[0] if len(set(answers)) == 1 else f.forced
                if read != value:
                    return True
                continue
            for place in places:
                old = memory[place]
                moved = old != value == f.trigger and place == f.aggressor
                if not (kind == "TF" and moved):
                    memory[place] = value
                if kind == "CFin" and moved:
                    memory[f.victim] = 1 - memory[f.victim]
                if kind == "CFid" and moved:
                    memory[f.victim] = f.forced
            settle()
    return False


@pytest.mark.parametrize("kind", list(FaultClass))
@pytest.mark.parametrize("block", [1, 2, 3])
def test_fast_and_plain_simulator_agree_on_every_fault(kind: FaultClass, block: int) -> None:
    for name in ("MATS+", "March Y", "March C-"):
        march = march_named(name)
        slow = tuple(
            plain_detects(march, kind, fault, cells=3, block=block) for fault in faults_of(kind, cells=3)
        )
        assert detected_faults(march, kind, cells=3, block=block) == slow


def test_faults_of_a_class_are_all_different() -> None:
    sizes = [len(set(faults_of(kind, cells=3))) for kind in FaultClass]
    assert sizes == [6, 6, 12, 24, 24, 24]


def test_working_in_blocks_loses_faults_between_cells_and_only_those() -> None:
    for cells in (3, 4):
        for row, textbook in zip(coverage_table(cells, cells), coverage_table(cells), strict=True):
            counts = {cover.kind: cover for cover in row.covers}
            assert str(counts[FaultClass.STUCK_AT]) == ALL
            assert counts[FaultClass.TRANSITION] == textbook.covers[1]
            assert counts[FaultClass.ADDRESS_DECODER].detected < textbook.covers[5].detected
    block = {cover.kind: str(cover) for cover in coverage(march_named("March C-"), cells=3, block=3).covers}
    assert block == {"SAF": "all", "TF": "all", "CFin": "6/12", "CFid": "6/24", "CFst": "18/24", "AF": "6/24"}


def test_the_loss_between_four_cells_of_one_block() -> None:
    # Measured before, with another program: 48 of 48 idempotent coupling faults cell by cell, 12 of 48 in one block.
    march = march_named("March C-")
    found = [coverage(march, cells=4, block=block).covers[3].detected for block in (1, 4)]
    assert found == [48, 12]


def test_a_block_larger_than_the_array_is_the_whole_array() -> None:
    march = march_named("March B")
    assert coverage(march, cells=3, block=64).covers == coverage(march, cells=3, block=3).covers


def test_table_prints_both_granularities() -> None:
    rows = (coverage(MARCHES[5]), coverage(MARCHES[5], block=3))
    assert render_coverage(rows) == (
        "test      ops  block  SAF  TF   CFin  CFid  CFst   AF\n"
        "March C-  10N  cell   all  all  all   all   all    all\n"
        "March C-  10N  3      all  all  6/12  6/24  18/24  6/24\n"
    )


def test_the_document_prints_what_is_simulated() -> None:
    text = Path(__file__).parents[2].joinpath("docs", "march.md").read_text(encoding="utf-8")
    assert f"```\n{render_coverage(coverage_table())}```" in text
    assert f"```\n{render_coverage(coverage_table(cells=3, block=3))}```" in text
    for march in MARCHES:
        assert f"| {march.name} | {march.ops_per_cell} | `{march}` |" in text


@pytest.mark.parametrize("cells", [1, 9])
def test_impossible_array_is_refused(cells: int) -> None:
    with pytest.raises(ValueError, match="2 to 8"):
        detected_faults(MARCHES[0], FaultClass.STUCK_AT, cells=cells)
