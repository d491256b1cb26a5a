"""Whether work goes on at the same rate: two parts of a run, cut into pieces, when work is counted in whole steps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.series import effective_size
from burnin.calc.statistics import Sample, welch

FEWEST_PIECES = 20


@dataclass(frozen=True, kw_only=True, eq=False)
class WorkRates:
    """Rates of one load, or of several together, in the pieces of a cold and of a hot part.

    Attributes:
        cold: Rate in each piece of the cold part, shape (n,).
        hot: Rate in each piece of the hot part, shape (n,).
        grain: What one step more or less in a piece changes, in the unit of the rates.
        curved: The parts are long against the noise, so that a smooth rise or fall within them is told apart from it.
    """

    cold: Floats
    hot: Floats
    grain: float
    curved: bool = False

    @property
    def share(self) -> float | None:
        """Hot rate as a share of the cold one; None where there was no cold work."""
        cold = float(np.mean(self.cold))
        return float(np.mean(self.hot)) / cold if cold > 0 else None


@dataclass(frozen=True, kw_only=True)
class RateAnswer:
    """How the hot rate stands to a share of the cold one.

    Attributes:
        slug: ``even`` (not less, 95 %), ``slower`` (less, at the certainty asked for) or ``open``.
        share: Hot rate as a share of the cold one, None where there was no cold work.
        half_width: Half width of its 95 % interval, None as above.
    """

    slug: Literal["even", "slower", "open"]
    share: float | None
    half_width: float | None


def together(rates: list[WorkRates]) -> WorkRates:
    """Return the rates of several loads added up, piece by piece, so that noise they share stays in.

    Their steps may end together, so their grains add up too.
    """
    count = min(len(one.cold) for one in rates)
    return WorkRates(
        cold=np.sum([one.cold[:count] for one in rates], axis=0),
        hot=np.sum([one.hot[-count:] for one in rates], axis=0),
        grain=sum(one.grain for one in rates),
        curved=all(one.curved for one in rates),
    )


def compare_rates(rates: WorkRates, *, share: float, certainty: float) -> RateAnswer:
    """Hold the hot rate against ``share`` of the cold one.

    Welch (1947) on the piece rates. Counting whole steps adds noise of known size that cancels from piece to piece: grain
    squared over 6 where steps and sweeps are unrelated (difference of two even distributions one grain wide), over 4
    where they take turns. It is taken out as far as neighbours show that it cancels; what it leaves at both ends of a
    part is kept. Neighbours that resemble each other lower the
    number of pieces (Bartlett 1935).

    Args:
        rates: Two parts of equal length, at least ``FEWEST_PIECES`` each.
        share: Least hot rate as a share of the cold one.
        certainty: Two-sided confidence a ``slower`` needs.
    """
    alike = max(_uncounted(part, rates)[1] for part in (rates.hot, rates.cold))
    hot, cold = (_sample(part, rates, alike) for part in (rates.hot, rates.cold))
    held = Sample(size=cold.size, mean=cold.mean * share, sd=cold.sd * share)
    if hot.sd == 0 and held.sd == 0:
        return RateAnswer(
            slug="even" if hot.mean >= held.mean else "slower", share=rates.share, half_width=0.0
        )
    usual = welch(hot, held)
    slug: Literal["even", "slower", "open"] = "open"
    if usual.low >= 0:
        slug = "even"
    elif welch(hot, held, confidence=certainty).high < 0:
        slug = "slower"
    known = rates.share is not None
    return RateAnswer(
        slug=slug, share=rates.share, half_width=(usual.high - usual.low) / 2 / cold.mean if known else None
    )


def _uncounted(part: Floats, rates: WorkRates) -> tuple[float, float]:
    """Return the variance of a part's pieces without the noise of counting, and the correlation of neighbours in it.

    In long parts both are taken about a parabola: work that falls as the machine warms is no noise. The correlation is
    corrected for its bias in short series, (n r + 1) / (n - 3) (Kendall 1954), and never below 0.
    """
    count = len(part)
    terms = np.vander(np.linspace(-1.0, 1.0, count), 3 if rates.curved else 1)
    away = part - terms @ np.linalg.lstsq(terms, part, rcond=None)[0]
    spread = float(np.mean(away**2))
    neighbours = float(np.sum(away[1:] * away[:-1])) / count
    counted = min(rates.grain**2 / 4, max(0.0, -2 * neighbours), spread)
    rest = spread - counted
    plain = (neighbours + counted / 2) / rest if rest > 1e-6 * spread else 0.0
    corrected = (count * plain + 1) / (count - 3) if plain > 0 else 0.0
    return rest * count / (count - terms.shape[1]), min(corrected, 0.98)


def _sample(part: Floats, rates: WorkRates, alike: float) -> Sample:
    """Return size, mean and spread of a part such that spread over root of size is the uncertainty of its mean.

    The noise and the two ends add up, their degrees of freedom after Welch and Satterthwaite.
    """
    count = len(part)
    alone = max(2, int(effective_size(alike, count)))
    noise, ends = _uncounted(part, rates)[0] / alone, rates.grain**2 / 6 / count**2
    variance = noise + ends
    freedom = variance**2 / (noise**2 / (alone - 1) + ends**2 / (count - 1)) if variance else count - 1
    size = max(2, int(freedom) + 1)
    return Sample(size=size, mean=float(np.mean(part)), sd=math.sqrt(variance * size))
