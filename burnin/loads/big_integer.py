"""Products of large whole numbers, checked modulo the prime 2^61 - 1.

Proves: that integer multiplication with carries is right: the remainder of each product equals the product of the
remainders; any single wrong bit changes the remainder.

Does not prove: that an error which is a multiple of 2^61 - 1 did not happen; floating-point and vector arithmetic.
"""

from __future__ import annotations

import functools
from typing import Final

from burnin.calc.folding import chain
from burnin.calc.splitmix import MASK, derive, words
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

PRIME: Final = (1 << 61) - 1
"""A Mersenne prime (I. Pervushin, 1883); small enough for the remainder to cost little."""

_PRODUCTS_PER_S: Final = 600
"""Products of 2^15 bits a second for which a step is sized; the usual core does two to three times as many."""

SPEC: Final = LoadSpec(
    title="Products of large whole numbers",
    proves="Integer multiplication with carries is right.",
    does_not_prove="Floating-point and vector arithmetic; errors that are multiples of 2^61 - 1.",
    resource="cpu",
    unit="products",
    params=(
        Param(name="bits", default=32768, about="Size of each factor, bits.", low=4096, high=131072),
        Param(
            name="products",
            default=0,
            about="Products of one step; 0 fits them to the step.",
            low=0,
            high=5000,
        ),
    ),
    finest_step_s=0.002,
    compare_digests=True,
)


def rest_of(number: int) -> int:
    """Return a number modulo 2^61 - 1: as 2^61 leaves 1, halves cut at a multiple of 61 bits may be added."""
    while (size := number.bit_length()) > 488:
        cut = 61 * (size // 122)
        number = (number >> cut) + (number & _mask(cut))
    return number % PRIME


@functools.lru_cache(maxsize=256)
def _mask(bits: int) -> int:
    return (1 << bits) - 1


class _Session:
    """An opened load.

    Args:
        seed: Seed of the factors.
        count: 64-bit words of a factor.
        products: Products of one step.
        first: Number of the first step.
    """

    def __init__(self, *, seed: int, count: int, products: int, first: int) -> None:
        self._seed, self._count, self._products, self._step = seed, count, products, first

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes."""
        return {"bits": 64 * self._count, "products_per_step": self._products, "checked_modulo": "2^61 - 1"}

    def step(self) -> StepResult:
        """Multiply neighbours in a row of new factors and check each product."""
        factors = [self._factor(place) for place in range(self._products + 1)]
        rests = [rest_of(factor) for factor in factors]
        faults: list[Fault] = []
        mark = 0
        for place in range(self._products):
            product = factors[place] * factors[place + 1]
            rest = rest_of(product)
            mark = chain(mark, rest, product & MASK)
            if rest != rests[place] * rests[place + 1] % PRIME:
                faults.append(self._wrong(place, product, factors))
        self._step += 1
        return StepResult(amount=self._products, digest=mark, faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Nothing is left unchecked between steps."""
        return StepResult(amount=0.0)

    def close(self) -> None:
        """Nothing is held between steps."""

    def _factor(self, place: int) -> int:
        """Return a factor of this step with its top bit set."""
        first = (self._step * (self._products + 1) + place) * self._count
        return int.from_bytes(words(self._seed, first, self._count).tobytes(), "little") | 1 << (
            64 * self._count - 1
        )

    def _wrong(self, place: int, product: int, factors: list[int]) -> Fault:
        """Describe a wrong product: the factors are made again, and the product is done in two halves."""
        left, right = self._factor(place), self._factor(place + 1)
        half = 32 * self._count
        expected = ((left >> half) * right << half) + (left & (1 << half) - 1) * right
        difference = expected ^ product
        values: dict[str, Scalar] = {
            "product": place,
            "factors_changed": (left, right) != (factors[place], factors[place + 1]),
            "bits_wrong": difference.bit_count(),
            "lowest_wrong_bit": (difference & -difference).bit_length() - 1,
            "expected": f"0x{expected >> max(0, (difference & -difference).bit_length() - 1) & MASK:016x}",
            "found": f"0x{product >> max(0, (difference & -difference).bit_length() - 1) & MASK:016x}",
        }
        return Fault(kind="wrong_result", step=self._step, values=values)


class _BigInteger:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Get ready; nothing is kept."""
        count = int(params.get("bits", 32768)) // 64
        usual = _PRODUCTS_PER_S * context.step_budget_s * (512 / count) ** 1.6
        products = int(params.get("products", 0)) or max(1, int(usual))
        seed = derive(context.seed, 5)
        return _Session(seed=seed, count=count, products=products, first=context.first_step)


PLUGIN = _BigInteger()
