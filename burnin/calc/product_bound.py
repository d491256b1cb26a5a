"""How far a floating-point product may be from the true one.

Higham, "Accuracy and Stability of Numerical Algorithms" (2nd ed., SIAM 2002), section 3.5: whatever the order of the
sums, ``|computed - exact| <= gamma_n |A| |B|`` element by element, with ``gamma_n = n u / (1 - n u)`` and the unit
roundoff ``u = 2^-53`` for doubles.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from burnin.calc.splitmix import words

Floats = NDArray[np.float64]

_ROUNDOFF = 2.0**-53


def gamma(n: int, roundoff: float = _ROUNDOFF) -> float:
    """Return ``n u / (1 - n u)``."""
    return n * roundoff / (1.0 - n * roundoff)


def exact_elements(left: Floats, right: Floats, places: NDArray[np.int64]) -> list[Fraction]:
    """Return elements of the product without any rounding.

    Args:
        left: First operand, shape (n, n).
        right: Second operand, shape (n, n).
        places: Rows and columns wanted, shape (k, 2).
    """
    return [
        sum(
            (Fraction(a) * Fraction(b) for a, b in zip(left[i].tolist(), right[:, j].tolist(), strict=True)),
            Fraction(),
        )
        for i, j in places
    ]


def product_gap(left: Floats, right: Floats, product: Floats, *, seed: int, samples: int = 4) -> float:
    """Return the largest distance from the true product in units of what rounding allows (1 or less is right).

    Every row is held, through one vector of signs, to the bound of the whole row (a coarse test of every element: the
    four products involved may each be off by one bound, five leave room for second-order terms);
    some elements are compared with their exact values (a fine test of a few).

    Args:
        left: First operand, shape (n, n).
        right: Second operand, shape (n, n).
        product: What was computed.
        seed: Chooses signs and elements.
        samples: Elements compared with exact values.
    """
    n = len(left)
    signs = np.where(words(seed, 0, n) >> np.uint64(63), 1.0, -1.0)
    with np.errstate(all="ignore"):
        gap = np.abs(product @ signs - left @ (right @ signs))
        room = 5.0 * gamma(n) * (np.abs(left) @ (np.abs(right) @ np.ones(n)))
        coarse = float(np.max(gap / room))
    places = (words(seed, n, 2 * samples) % np.uint64(n)).astype(np.int64).reshape(samples, 2)
    fine = [
        float(abs(Fraction(float(product[i, j])) - true))
        / (gamma(n) * float(np.abs(left[i]) @ np.abs(right[:, j])))
        for (i, j), true in zip(places, exact_elements(left, right, places), strict=True)
        if np.isfinite(product[i, j])
    ]
    return float(np.nan_to_num(max([coarse, *fine]), nan=np.inf)) if np.isfinite(coarse) else float("inf")
