"""March tests as data: notation, counts, and the walk that the engine follows."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.calc.march import MARCHES, Element, March, Op, Order, march_named, parse_march, walk

OPS = st.builds(Op, writes=st.booleans(), value=st.integers(0, 1))
ELEMENTS = st.builds(
    Element, order=st.sampled_from(Order), ops=st.lists(OPS, min_size=1, max_size=7).map(tuple)
)
SMALL = st.builds(
    March, name=st.just("drawn"), elements=st.lists(ELEMENTS, min_size=1, max_size=6).map(tuple)
)


def test_lengths_are_the_published_ones() -> None:
    # Operations per cell as given in the literature on these tests.
    lengths = {march.name: march.ops_per_cell for march in MARCHES}
    assert lengths == {
        "MATS": 4,
        "MATS+": 5,
        "MATS++": 6,
        "March X": 6,
        "March Y": 8,
        "March C-": 10,
        "March A": 15,
        "March B": 17,
        "March U": 13,
    }


@given(SMALL)
def test_notation_printed_is_read_back(march: March) -> None:
    assert parse_march(march.name, str(march)) == march


def test_plain_keyboard_notation_is_read() -> None:
    plain = parse_march("MATS+", " *( w0 ) ; ^(r0, w1); v(r1,w0) ")
    assert plain == march_named("MATS+")
    assert str(plain) == "{⇕(w0);⇑(r0,w1);⇓(r1,w0)}"


@pytest.mark.parametrize(
    ("notation", "message"),
    [
        ("", "no element"),
        ("{}", "no element"),
        ("{⇑(r0)", "one brace"),
        ("(r0,w1)", "expected an element"),
        ("⇑(r0) nonsense", "expected an element"),
        ("⇑(r2)", "expected r0, r1, w0 or w1"),
        ("⇑()", "expected r0, r1, w0 or w1"),
    ],
)
def test_bad_notation_names_the_place(notation: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        parse_march("odd", notation)


def test_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"March Z.*MATS\+"):
        march_named("March Z")


def visits(notation: str, *, cells: int, block: int = 1, free: tuple[bool, ...] | None = None) -> str:
    sweeps = walk(parse_march("drawn", notation), cells=cells, block=block, free_upward=free)
    return " ".join(f"{sweep.op}@{c}" for sweep in sweeps for c in range(sweep.first, sweep.stop))


def test_cell_by_cell_walk_is_the_published_order() -> None:
    assert visits("⇑(r0,w1);⇓(r1)", cells=3) == "r0@0 w1@0 r0@1 w1@1 r0@2 w1@2 r1@2 r1@1 r1@0"


def test_a_block_is_read_before_it_is_written() -> None:
    assert visits("⇓(r0,w1)", cells=5, block=2) == "r0@4 w1@4 r0@2 r0@3 w1@2 w1@3 r0@0 r0@1 w1@0 w1@1"


def test_free_elements_take_the_given_direction() -> None:
    assert visits("⇕(w0);⇕(r0)", cells=2, free=(False, True)) == "w0@1 w0@0 r0@0 r0@1"
    assert visits("⇕(w0)", cells=2) == "w0@0 w0@1"


@given(SMALL, st.integers(1, 9), st.integers(1, 12))
def test_every_cell_sees_every_operation_once_whatever_the_block(
    march: March, cells: int, block: int
) -> None:
    seen: dict[int, list[Op]] = {cell: [] for cell in range(cells)}
    for sweep in walk(march, cells=cells, block=block):
        for cell in range(sweep.first, sweep.stop):
            seen[cell].append(sweep.op)
    wanted = [op for element in march.elements for op in element.ops]
    assert all(ops == wanted for ops in seen.values())


def test_impossible_walks_are_refused() -> None:
    march = march_named("MATS+")
    with pytest.raises(ValueError, match="at least 1"):
        walk(march, cells=0)
    with pytest.raises(ValueError, match="at least 1"):
        walk(march, cells=1, block=0)
    with pytest.raises(ValueError, match="1 free elements; 2 directions"):
        walk(march, cells=1, free_upward=(True, True))
