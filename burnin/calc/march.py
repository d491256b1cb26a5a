"""March tests as data, and the one walk that real memory and the fault simulator both follow.

A march test is a list of elements; an element goes over all cells in one direction and does its operations on each
cell before it moves on. The value 0 stands for a background pattern, 1 for its complement. Notation: `⇑(r0,w1)` goes
upward, `⇓` downward, `⇕` in either direction; `^`, `v` and `*` are read as the same three.

Sources: A. J. van de Goor, "Using march tests to test SRAMs", IEEE Design & Test of Computers 10(1), 1993, for the
notation and the set. The element lists of MATS+, MATS++, March A, B and C- were compared with secondary sources;
those of MATS, March X, Y and U come from excerpts and from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Order(StrEnum):
    """Direction of an element over the addresses."""

    UP = "⇑"
    DOWN = "⇓"
    EITHER = "⇕"


@dataclass(frozen=True, kw_only=True)
class Op:
    """One operation on a cell: write a value, or read it and expect that value."""

    writes: bool
    value: int

    def __str__(self) -> str:
        return f"{'w' if self.writes else 'r'}{self.value}"


@dataclass(frozen=True, kw_only=True)
class Element:
    """Operations done on every cell in one direction."""

    order: Order
    ops: tuple[Op, ...]

    def __str__(self) -> str:
        return f"{self.order}({','.join(map(str, self.ops))})"


@dataclass(frozen=True, kw_only=True)
class March:
    """A named march test."""

    name: str
    elements: tuple[Element, ...]

    @property
    def ops_per_cell(self) -> int:
        """Operations on each cell: the n in "n times N"."""
        return sum(len(element.ops) for element in self.elements)

    @property
    def free_choices(self) -> int:
        """Elements whose direction is free."""
        return sum(element.order is Order.EITHER for element in self.elements)

    def __str__(self) -> str:
        return "{" + ";".join(map(str, self.elements)) + "}"


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """One operation over a range of neighbouring cells: the unit of work of the engine.

    Attributes:
        op: What is done to each cell.
        first: First cell of the range.
        stop: Cell after the last of the range. The cells are visited in rising order.
    """

    op: Op
    first: int
    stop: int


_ELEMENT: Final = re.compile(r"\s*([⇑⇓⇕^v*])\s*\(([^()]*)\)\s*(?:;|,|$)")
_OP: Final = re.compile(r"\s*([rw])([01])\s*")
_ORDERS: Final = {
    "⇑": Order.UP,
    "^": Order.UP,
    "⇓": Order.DOWN,
    "v": Order.DOWN,
    "⇕": Order.EITHER,
    "*": Order.EITHER,
}


def parse_march(name: str, notation: str) -> March:
    """Read a march test in the trade's notation.

    Args:
        name: Name to give it.
        notation: For example `{⇕(w0);⇑(r0,w1);⇓(r1,w0)}`; the braces may be left out.

    Raises:
        ValueError: The text is no march notation; the message names the place.
    """
    text = notation.strip()
    if text.startswith("{") != text.endswith("}"):
        raise ValueError(f"march {name}: found one brace; expected both or none")
    text = text.removeprefix("{").removesuffix("}").strip()
    elements, at = [], 0
    while at < len(text):
        match = _ELEMENT.match(text, at)
        if match is None:
            raise ValueError(
                f"march {name}: found {text[at : at + 20]!r}; expected an element such as ⇑(r0,w1)"
            )
        elements.append(Element(order=_ORDERS[match[1]], ops=_parse_ops(name, match[2])))
        at = match.end()
    if not elements:
        raise ValueError(f"march {name}: found no element; expected at least one")
    return March(name=name, elements=tuple(elements))


def _parse_ops(name: str, text: str) -> tuple[Op, ...]:
    """Read the operations of one element."""
    ops = []
    for part in text.split(","):
        match = _OP.fullmatch(part)
        if match is None:
            raise ValueError(f"march {name}: found {part!r}; expected r0, r1, w0 or w1")
        ops.append(Op(writes=match[1] == "w", value=int(match[2])))
    return tuple(ops)


def walk(
    march: March, *, cells: int, block: int = 1, free_upward: tuple[bool, ...] | None = None
) -> Iterator[Sweep]:
    """Yield the sweeps of a march in the order the engine does them.

    With `block=1` this is the published march: all operations of an element on one cell, then the next cell. With a
    larger block each operation is done on the whole block before the next operation begins; within a block the cells
    are always visited upward, because block copies and compares of the processor run that way.

    Args:
        march: The test.
        cells: Number of cells (words on real memory), at least 1.
        block: Cells handled together, at least 1; the last block may be shorter.
        free_upward: Direction of each free element in turn; upward for all when None.

    Raises:
        ValueError: A count is below 1, or the directions do not match the free elements.
    """
    choices = (True,) * march.free_choices if free_upward is None else free_upward
    if cells < 1 or block < 1:
        raise ValueError(f"{cells} cells in blocks of {block}: both must be at least 1")
    if len(choices) != march.free_choices:
        raise ValueError(
            f"march {march.name} has {march.free_choices} free elements; {len(choices)} directions given"
        )
    return _sweeps(march, range(0, cells, block), cells=cells, choices=iter(choices))


def _sweeps(march: March, starts: range, *, cells: int, choices: Iterator[bool]) -> Iterator[Sweep]:
    """Yield the sweeps; every argument has been checked."""
    for element in march.elements:
        upward = next(choices) if element.order is Order.EITHER else element.order is Order.UP
        for first in starts if upward else reversed(starts):
            stop = min(first + starts.step, cells)
            for op in element.ops:
                yield Sweep(op=op, first=first, stop=stop)


MARCHES: Final = tuple(
    parse_march(name, notation)
    for name, notation in (
        ("MATS", "{⇕(w0);⇕(r0,w1);⇕(r1)}"),
        ("MATS+", "{⇕(w0);⇑(r0,w1);⇓(r1,w0)}"),
        ("MATS++", "{⇕(w0);⇑(r0,w1);⇓(r1,w0,r0)}"),
        ("March X", "{⇕(w0);⇑(r0,w1);⇓(r1,w0);⇕(r0)}"),
        ("March Y", "{⇕(w0);⇑(r0,w1,r1);⇓(r1,w0,r0);⇕(r0)}"),
        ("March C-", "{⇕(w0);⇑(r0,w1);⇑(r1,w0);⇓(r0,w1);⇓(r1,w0);⇕(r0)}"),
        ("March A", "{⇕(w0);⇑(r0,w1,w0,w1);⇑(r1,w0,w1);⇓(r1,w0,w1,w0);⇓(r0,w1,w0)}"),
        ("March B", "{⇕(w0);⇑(r0,w1,r1,w0,r0,w1);⇑(r1,w0,w1);⇓(r1,w0,w1,w0);⇓(r0,w1,w0)}"),
        ("March U", "{⇕(w0);⇑(r0,w1,r1,w0);⇑(r0,w1);⇓(r1,w0,r0,w1);⇓(r1,w0)}"),
    )
)
"""The tests on hand, cheapest kinds first."""


def march_named(name: str) -> March:
    """Return a test of `MARCHES` by its name.

    Raises:
        ValueError: There is no test of that name.
    """
    for march in MARCHES:
        if march.name == name:
            return march
    raise ValueError(f"march {name!r}: must be one of {', '.join(march.name for march in MARCHES)}")
