"""Trial table of the comparison: false differences and power on simulated pairs of runs.

Runnable by hand: ``python tests/calc/trials_compare.py [pairs]`` with the package on the path (needs SciPy).
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass

import numpy as np
from scipy.signal import lfilter

from burnin.calc.compare import compare_levels, holm, pooled_repeatability
from burnin.calc.series import batch_level


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two 20-minute soaks of one machine, one reading a second.

    Attributes:
        phi: Correlation of neighbouring noise values.
        sigma: Standard deviation of the noise, kelvin.
        between: Run-to-run standard deviation, kelvin.
        baseline: Earlier runs of the unchanged machine that give the repeatability.
        averaged: Whether these runs are the "before" themselves, or one more run is.
        change: True difference, kelvin.
        step: Resolution of the sensor, kelvin.
        gaps: Share of readings lost.
    """

    phi: float = 0.9
    sigma: float = 1.0
    between: float = 0.2
    baseline: int = 3
    averaged: bool = True
    change: float = 0.0
    step: float = 1.0
    gaps: float = 0.05


TIMES = np.arange(0.0, 1200.0)


def soaks(rng, pair, runs):
    shocks = rng.normal(0, pair.sigma * np.sqrt(1 - pair.phi**2), (runs, TIMES.size + 200))
    noise = lfilter([1.0], [1.0, -pair.phi], shocks, axis=1)[:, 200:]
    means = 62.3 + rng.normal(0, pair.between, (runs, 1))
    return means, noise


def levels(rng, pair, *, runs, changed):
    means, noise = soaks(rng, pair, runs)
    means[-1] += pair.change if changed else 0.0
    read = np.round((means + noise) / pair.step) * pair.step
    read[rng.random(read.shape) < pair.gaps] = np.nan
    return [batch_level(TIMES, row) for row in read]


def differences(pair: Pair, *, pairs: int, seed: int) -> list:
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(pairs):
        *baseline, first, second = levels(rng, pair, runs=pair.baseline + 2, changed=True)
        repeat = pooled_repeatability([[level.mean for level in baseline]])
        before = baseline if pair.averaged else [first]
        found.append(compare_levels(before, [second], repeatability=repeat))
    return found


def rate(pair: Pair, *, pairs: int, seed: int) -> float:
    """Return the share of pairs in which a difference is claimed."""
    found = differences(pair, pairs=pairs, seed=seed)
    return float(np.mean([comparison.slug != "no-difference-shown" for comparison in found]))


def family_rate(pair: Pair, *, families: int, size: int, seed: int) -> float:
    """Return the share of families of unchanged figures in which any difference is claimed after correction."""
    found = differences(pair, pairs=families * size, seed=seed)
    p_values = np.array([comparison.p_value for comparison in found]).reshape(families, size)
    return float(np.mean([min(holm(row)) < 0.05 for row in p_values]))


TABLE = tuple(
    Pair(phi=phi, between=between, baseline=baseline, averaged=averaged, change=change)
    for change in (0.0, 2.0)
    for phi in (0.0, 0.9)
    for between, baseline, averaged in (
        (0.0, 3, True), (0.2, 3, False), (0.2, 3, True), (0.2, 6, False), (0.3, 4, True), (0.4, 10, False), (0.4, 10, True),
    )
)  # fmt: skip


def main(pairs: int) -> None:
    print(f"{pairs} pairs each, seed = 100 + row number; nominal 5 %")
    print(*(f"{head:>9}" for head in (*asdict(TABLE[0]), "claimed")))
    for row, pair in enumerate(TABLE):
        print(
            *(
                f"{value:>9.4g}"
                for value in (*asdict(pair).values(), rate(pair, pairs=pairs, seed=100 + row))
            ),
            flush=True,
        )
    print(
        "families of 12 unchanged figures with any claim after Holm:",
        family_rate(Pair(), families=400, size=12, seed=99),
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
