"""Words for why figures are not compared, and for what a comparison says."""

from __future__ import annotations

from typing import Final

from burnin.report.figures import significant
from burnin.report.words import plain_name

ANSWER_WORDS: Final = {
    "better": "better",
    "worse": "worse",
    "higher": "higher",
    "lower": "lower",
    "no_difference_shown": "no difference shown",
    "not_comparable": "not comparable",
}

_REASONS: Final = {
    "no-repeatability": (
        "it is not known how far this figure moves between runs of an unchanged machine; that takes three runs of one, "
        "or repeated runs of its family in the ledger"
    ),
    "stages-differ": "the stage was not the same in both runs",
    "rehearsal-beside-run": "one of the two is a rehearsal",
    "not-in-second-run": "the second run does not have it",
    "too-few-readings": "too few readings",
    "too-few-batches": "too many gaps in its readings",
    "no-spread": "nothing varied at all, so that nothing can be judged",
    "no-runs": "there is no run",
    "no-value": "this run does not have the figure",
    "family-unknown": "its family is not known: the machine names no processor, or the order sheet no cooler or no case",
    "too-few-builds": "too few builds",
    "too-few-baseline-runs": "too few runs of the unchanged machine",
}


def reason_words(slug: str, observed: float | None = None, needed: float | None = None) -> str:
    """Return a reason in words, with what there was and what it would have taken."""
    words = _REASONS.get(slug, plain_name(slug))
    if observed is None or needed is None:
        return words
    return f"{words} ({significant(observed)}, it takes {significant(needed)})"
