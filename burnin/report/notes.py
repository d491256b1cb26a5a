"""The notes of the first page: what the paper says, what it does not, and what was known before the test."""

from __future__ import annotations

from typing import Final

from burnin.records.events import CautionsAnswered
from burnin.records.view import RunView
from burnin.report.words import shown_text


def beyond_ratings(view: RunView) -> tuple[bool | None, str]:
    """Return whether the machine ran beyond its makers' ratings (None where nobody said), and the sentence for it."""
    order = view.opened.order
    if order is None:
        return None, "Not stated, because no order sheet was given."
    if not order.beyond_ratings:
        return False, "No: the order sheet lists no setting beyond the makers' ratings."
    return True, "Yes: " + "; ".join(shown_text(item) for item in order.beyond_ratings) + "."


NOTES: Final = (
    (
        "These are observations of this machine on the date above, under the conditions stated. They are no guarantee of "
        "how it will behave later or elsewhere, and they relate to this machine only."
    ),
    (
        "Temperatures, speeds and powers come from sensors built into the machine; these are not calibrated. Where a maker "
        "states an accuracy it is used; elsewhere the uncertainty is unknown and printed as a dash."
    ),
    "This is a workshop's own record, not the report of an accredited laboratory.",
    "Your statutory rights are not affected by this certificate.",
)


def warranty_note(beyond: bool | None) -> str:
    """Return what running beyond ratings can mean for the makers' warranties."""
    if beyond:
        return "Running parts beyond their makers' ratings can end those makers' own warranties; ask the workshop what it covers instead."
    return "Settings changed later to run parts beyond their makers' ratings can end those makers' own warranties."


CAUTIONS: Final = (
    "The test loads the machine harder and longer than daily use; a part that is about to fail may fail during it.",
    "Loads are stopped first when a safety limit is reached; sensors that the machine lacks cannot stop anything.",
    "A test without a fault shows that no fault appeared in this time; it cannot show that there is none.",
)


def cautions_answer(view: RunView) -> str:
    """Return how the cautions were answered before the run."""
    how = {
        "asked": "read and answered at the machine",
        "option": "answered in advance by the operator's option",
    }
    answered = view.first(CautionsAnswered)
    if answered is None:
        return "The journal holds no answer to the cautions."
    words = how.get(answered.how, "answered earlier by this workshop and remembered")
    return f"They were {words}."


ARRAY_NOTE: Final = (
    "Coverage of a memory array is not coverage of this machine's memory: caches answer, addresses are mapped, "
    "and memory that the system itself uses is not tested."
)
"""What march tests do not show, as a program on a running machine does them; docs/march.md tells why."""
