"""Trial table of the step-response fit: recovery and coverage on simulated plants.

Runnable by hand: ``python tests/calc/trials_step_response.py [trials]`` with the package on the path. Prints, for
each plant, the generator's parameters and what the fit made of it. The test suite runs a seeded subset.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass

import numpy as np

from burnin.calc.refusal import Refusal
from burnin.calc.step_response import FitSettings, StepFit, fit_step


@dataclass(frozen=True, kw_only=True)
class Plant:
    """A simulated response: one or two time constants, AR(1) noise, drift, gaps, coarse steps, one reading a second.

    Attributes:
        phi: Correlation of neighbouring noise values.
        sigma: Standard deviation of the noise, kelvin.
        drift: Standard deviation of the drift, kelvin per hour, drawn anew for each trial.
        gaps: Share of readings lost, half of it singly, half in one hole.
        step: Resolution of the sensor, kelvin.
        soak: Length of the stretch in time constants.
        tau_s: Time constant.
        rise: Final rise, kelvin; negative cools down.
        fast_s: Second, faster time constant; 0 for none. It takes a third of the rise.
    """

    phi: float = 0.0
    sigma: float = 1.0
    drift: float = 0.5
    gaps: float = 0.1
    step: float = 1.0
    soak: float = 3.0
    tau_s: float = 300.0
    rise: float = 40.0
    fast_s: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Outcome:
    trials: int
    refused: float
    tau_within_5_pct: float
    tau_median_error: float
    steady_within_half: float
    steady_within_1_5: float
    steady_coverage: float
    tau_coverage: float


def ar1(rng: np.random.Generator, count: int, phi: float, sigma: float) -> np.ndarray:
    shocks = rng.normal(0, sigma * np.sqrt(1 - phi**2), count)
    shocks[0] = rng.normal(0, sigma)
    noise = np.empty(count)
    value = 0.0
    for i, shock in enumerate(shocks):
        value = phi * value + shock
        noise[i] = value
    return noise


def simulate(plant: Plant, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, float]:
    """Return times, readings and the true steady temperature as of the end of the stretch."""
    t_s = np.arange(0.0, plant.soak * plant.tau_s + 0.5)
    room, slope = 24.0 + rng.uniform(-0.5, 0.5), rng.normal(0, 1) * plant.drift
    share = 1 / 3 if plant.fast_s else 0.0
    left = (1 - share) * np.exp(-t_s / plant.tau_s) + share * np.exp(-t_s / (plant.fast_s or 1.0))
    clean = room + plant.rise * (1 - left) + slope * t_s / 3600
    noisy = clean + ar1(rng, t_s.size, plant.phi, plant.sigma)
    read = np.round(noisy / plant.step) * plant.step if plant.step else noisy
    lost = rng.random(t_s.size) < plant.gaps / 2
    hole = int(plant.gaps / 2 * t_s.size)
    start = int(rng.integers(1, t_s.size - hole))
    lost[start : start + hole] = True
    read[lost] = np.nan
    return t_s, read, room + plant.rise + slope * t_s[-1] / 3600


def run(plant: Plant, *, trials: int, seed: int) -> Outcome:
    rng = np.random.default_rng(seed)
    settings = FitSettings(resolution_c=plant.step, drift_k_per_h=plant.drift)
    fits: list[tuple[StepFit, float]] = []
    for _ in range(trials):
        t_s, temp_c, truth = simulate(plant, rng)
        fit = fit_step(t_s, temp_c, settings=settings)
        if not isinstance(fit, Refusal):
            fits.append((fit, truth))
    if not fits:
        return Outcome(trials=trials, refused=1.0, **dict.fromkeys(list(Outcome.__annotations__)[2:], np.nan))
    tau_off = np.array([abs(fit.tau_s.value / plant.tau_s - 1) for fit, _ in fits])
    off = np.array([abs(fit.steady_c.value - truth) for fit, truth in fits])
    return Outcome(
        trials=trials,
        refused=1 - len(fits) / trials,
        tau_within_5_pct=float(np.mean(tau_off < 0.05)),
        tau_median_error=float(np.median(tau_off)),
        steady_within_half=float(np.mean(off < 0.5)),
        steady_within_1_5=float(np.mean(off < 1.5)),
        steady_coverage=float(np.mean([fit.steady_c.low <= x <= fit.steady_c.high for fit, x in fits])),
        tau_coverage=float(np.mean([fit.tau_s.low <= plant.tau_s <= fit.tau_s.high for fit, _ in fits])),
    )


TABLE = (
    Plant(phi=0.0),
    Plant(phi=0.5),
    Plant(phi=0.9),
    Plant(phi=0.5, rise=-40.0),
    Plant(phi=0.9, rise=-40.0),
    Plant(phi=0.5, sigma=0.3),
    Plant(phi=0.5, sigma=0.1),
    Plant(phi=0.5, sigma=0.5, step=0.0),
    Plant(phi=0.5, drift=0.0),
    Plant(phi=0.5, drift=1.0),
    Plant(phi=0.5, gaps=0.3),
    Plant(phi=0.5, soak=2.0),
    Plant(phi=0.5, soak=5.0),
    Plant(phi=0.9, soak=5.0),
    Plant(phi=0.5, soak=3.0, tau_s=60.0),
    Plant(phi=0.5, soak=3.0, tau_s=900.0),
    Plant(phi=0.5, fast_s=15.0),
    Plant(phi=0.5, rise=-40.0, fast_s=15.0, soak=5.0),
    Plant(phi=0.5, soak=0.9),
    Plant(phi=0.9, soak=0.9),
    Plant(phi=0.5, soak=0.5),
)


def main(trials: int) -> None:
    print(
        f"{trials} trials each; seed = row number; step in K, tau and soak in s and tau, drift in K/h (1 s.d.)"
    )
    heads = ["phi", "sigma", "drift", "gaps", "step", "soak", "tau_s", "rise", "fast_s"]
    print(*(f"{head:>6}" for head in heads), *(f"{h[:14]:>15}" for h in list(Outcome.__annotations__)[1:]))
    for row, plant in enumerate(TABLE):
        outcome = asdict(run(plant, trials=trials, seed=row))
        print(
            *(f"{asdict(plant)[head]:>6g}" for head in heads),
            *(f"{v:>15.4f}" for v in list(outcome.values())[1:]),
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
