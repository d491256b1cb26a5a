"""Which core is wrong, from the results that several cores gave for the same work, some of them more than once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from burnin.records.load_events import RetryKind

Work = tuple[int, int]
"""Seed and step."""


@dataclass(kw_only=True)
class Results:
    """What cores gave for the same work.

    Attributes:
        given: Work to core to its results, in the order in which they came.
        wrong: Cores whose own check failed when the work was repeated.
    """

    given: dict[Work, dict[int, list[int]]] = field(default_factory=dict)
    wrong: set[int] = field(default_factory=set)

    def add(self, work: Work, core: int, digest: int) -> None:
        """Note one result."""
        self.given.setdefault(work, {}).setdefault(core, []).append(digest)

    @property
    def count(self) -> int:
        """Results noted."""
        return sum(len(each) for by_core in self.given.values() for each in by_core.values())


def accused(results: Results, seat: Callable[[int], str]) -> dict[int, RetryKind]:
    """Return the cores that were wrong at least once, and how that is known.

    A result that cores of more seats gave than any other, two at least, is right: 64 bits do not agree by chance. Where
    there is none, a core that gave two results for the same work is wrong. A failed check of its own always counts.

    Args:
        results: What the cores gave.
        seat: Core to what tells its physical core from others; threads of one core have one vote.
    """
    found: dict[int, RetryKind] = dict.fromkeys(sorted(results.wrong), "wrong_again")
    for by_core in results.given.values():
        right = right_result(by_core, seat)
        for core, given in by_core.items():
            if right is not None and any(each != right for each in given):
                found.setdefault(core, "outvoted")
            elif right is None and len(set(given)) > 1:
                found.setdefault(core, "contradicts_itself")
    return found


def right_result(by_core: Mapping[int, Iterable[int]], seat: Callable[[int], str]) -> int | None:
    """Return the result that most seats gave, None where fewer than two did or as many gave another."""
    seats: dict[int, set[str]] = {}
    for core, given in by_core.items():
        for each in given:
            seats.setdefault(each, set()).add(seat(core))
    ranked = sorted(((len(names), result) for result, names in seats.items()), reverse=True)
    if not ranked or ranked[0][0] < 2 or (len(ranked) > 1 and ranked[1][0] == ranked[0][0]):
        return None
    return ranked[0][1]
