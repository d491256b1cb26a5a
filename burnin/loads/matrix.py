"""Double-precision matrix products, every one of them checked.

Proves: that this core multiplies and adds doubles rightly while it is about as hot as arithmetic can make it, and that
operands and results stay as they were in caches and memory meanwhile. Products of whole numbers are exact and checked
with Freivalds' method, so there is no tolerance to hide in; products of doubles with all 53 bits in use are compared
bit by bit with the first one, which is itself held to a published rounding bound.

Does not prove: anything about instructions that the numeric library's kernel does not use, about memory beyond the
operands, or (for the doubles) that the first product is right to the last bit; equal digests on other cores stand for
that.
"""

from __future__ import annotations

from typing import Final

from burnin.calc.checked_product import DOUBLE
from burnin.plugin.checked_session import CheckedSession, Products
from burnin.plugin.contracts import LoadContext, LoadSpec, Param
from burnin.records.plan import Scalar

_PRODUCTS: Final = Products(
    load="matrix",
    number=DOUBLE,
    fastest_flop_s=86e9,
)

SPEC: Final = LoadSpec(
    title="Double-precision matrix products, each one checked",
    proves="Multiplies and adds doubles rightly under the heaviest arithmetic, operands unchanged in memory.",
    does_not_prove="Instructions the numeric library does not use; memory beyond the operands.",
    resource="cpu",
    unit="products",
    params=(
        Param(name="n", default=2048, about="Rows and columns of the matrices.", low=64, high=4096),
        Param(
            name="values",
            default="mixed",
            about="Whole numbers (exact), doubles with all bits in use (hotter), or both in turn.",
            choices=("mixed", "integer", "full"),
        ),
        Param(
            name="rows", default=0, about="Rows done in one step; 0 fits them to the step.", low=0, high=4096
        ),
    ),
    finest_step_s=0.001,
    compare_digests=True,
)


class _Matrix:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> CheckedSession:
        """Make operands and verify the first products.

        Raises:
            BurninError: the matrices do not fit into the memory allowed.
        """
        return _PRODUCTS.open(context, params)


PLUGIN = _Matrix()
