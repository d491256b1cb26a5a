"""How far a floating-point product may be from the true one.

Higham, "Accuracy and Stability of Numerical Algorithms" (2nd ed., SIAM 2002), section 3.5: whatever the order of the
sums, ``|computed - exact| <= gamma_n |A| |B|`` element by element, with ``gamma_n = n u / (1 - n u)`` and the unit
roundoff ``u = 2^-53`` for doubles.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.splitmix import words

Floats = NDArray[Any]

_ROUNDOFF: Final = 2.0**-53
_SAMPLES: Final = 4


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


def product_gap(
    left: Floats, right: Floats, product: Floats, *, seed: int, roundoff: float = _ROUNDOFF
) -> float:
    """Return the largest distance from the true product in units of what rounding allows (1 or less is right).

    Every row is held, through one vector of signs, to the bound of the whole row (a coarse test of every element: the
    four products involved may each be off by one bound, five leave room for second-order terms); some elements are
    compared with their exact values (a fine test of a few).

    Args:
        left: First operand, shape (n, n).
        right: Second operand, shape (n, n).
        product: What was computed.
        seed: Chooses signs and elements.
        roundoff: Unit roundoff of the product's number format.
    """
    if not np.isfinite(product).all():
        return float("inf")
    n = len(left)
    signs = np.where(words(seed, 0, n) >> np.uint64(63), 1.0, -1.0)
    a, b, c = (np.asarray(part, dtype=np.float64) for part in (left, right, product))
    with np.errstate(over="ignore", invalid="ignore"):
        gap = np.nan_to_num(np.abs(c @ signs - a @ (b @ signs)), nan=np.inf)
        room = 5.0 * gamma(n, roundoff) * (np.abs(a) @ (np.abs(b) @ np.ones(n)))
        coarse = float(np.max(gap / room))
    places = (words(seed, n, 2 * _SAMPLES) % np.uint64(n)).astype(np.int64).reshape(_SAMPLES, 2)
    fine = [
        float(abs(Fraction(float(c[i, j])) - true))
        / (gamma(n, roundoff) * float(np.abs(a[i]) @ np.abs(b[:, j])))
        for (i, j), true in zip(places, exact_elements(a, b, places), strict=True)
    ]
    return max(coarse, *fine)
