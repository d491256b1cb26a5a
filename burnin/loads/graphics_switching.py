"""A graphics card's load switched on and off at set periods, which stresses what feeds it with current.

Each burst is one dispatch of chaotic chains as long as the period's share under load; between bursts the card rests. Bursts
start on a fixed schedule: the host sleeps, and waits the last millisecond busily. Every thread's end is compared with
what most groups of the period's first burst agreed on.

Proves: that the card computes rightly while its current jumps between rest and full load at these periods.

Does not prove: that the current's edges were as steep as the card can make them (nothing here measures current), or
that periods not tried are harmless.
"""

from __future__ import annotations

import time
from typing import Final

import numpy as np

from burnin.calc.graphics_chains import (
    FLOAT_CODE,
    FLOAT_UNIT,
    LANES,
    U32,
    agreed_ends,
    described,
    float_starts,
    fold_blocks,
    wrong_ends,
    wrong_groups,
)
from burnin.calc.splitmix import derive
from burnin.host.card_chains import Chains, Done
from burnin.host.exact_wait import wait_until
from burnin.host.wgpu_door import Card, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_WIDTH: Final = 16
_GROUPS: Final = 4096
_SOFTWARE_GROUPS: Final = 2
_PERIODS_MS: Final = (4.0, 10.0, 20.0, 50.0, 100.0)
_EACH_S: Final = 5.0
"""How long one period is kept before the next one's turn."""

_TRIAL_PERIOD_MS: Final = 20.0
_FIRST_BURSTS: Final = 4
_TRIAL_BURSTS: Final = 50

SPEC: Final = LoadSpec(
    title="A graphics card's load switched at set periods",
    proves="The card computes rightly while its load jumps between rest and full.",
    does_not_prove="How steep the current's edges are; periods not tried.",
    resource="graphics",
    unit="T operations",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(
            name="period_ms",
            default=0.0,
            about="Time from burst to burst, ms; 0 goes through 4, 10, 20, 50 and 100.",
            low=0.0,
            high=100.0,
        ),
        Param(name="duty", default=0.5, about="Share of the period under load.", low=0.1, high=0.9),
        Param(
            name="groups",
            default=0,
            about="Groups of 256 threads a dispatch; 0 for the usual.",
            low=0,
            high=65535,
        ),
    ),
    per_core=False,
    finest_step_s=0.1,
    needs="a graphics card with a Vulkan driver, and the extra 'gpu'",
)


class _Session:
    """An opened load.

    Args:
        card: The card.
        chains: Chains.
        periods_ms: Periods to go through.
        duty: Share of a period under load.
        budget_s: Length of a step.
    """

    def __init__(
        self, card: Card, chains: Chains, *, periods_ms: tuple[float, ...], duty: float, budget_s: float
    ) -> None:
        self._card, self._chains, self._periods_ms, self._duty = card, chains, periods_ms, duty
        self._budget_s, self._step, self._turn = budget_s, 0, -1
        self._golden: dict[int, U32] = {}
        self._late_ms: list[float] = []
        self._burst_ms: list[float] = []
        self._ms_per_round = chains.calibrate(2.0) / chains.rounds
        self._until_ns, self._next_ns, self._period_ns = 0, 0, 0
        self._set_period(min(_TRIAL_PERIOD_MS, max(periods_ms)))
        self._pending = [fault for _ in range(_FIRST_BURSTS) for fault in self._burst()]
        self._late_ms, self._burst_ms, self._next_ns = [], [], time.monotonic_ns()
        self._pending += [fault for _ in range(_TRIAL_BURSTS) for fault in self._burst()]
        self._trial = self._edges()

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, the periods, and how exactly bursts began and ended in a trial of fifty."""
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "threads": self._chains.groups * LANES,
            "periods_ms": ", ".join(f"{each:g}" for each in self._periods_ms),
            "duty": self._duty,
            "checked_by": "what most groups agreed on in the period's first burst, every thread",
            **self._trial,
        }

    def step(self) -> StepResult:
        """Run bursts until the step's time is used up, at least one."""
        faults, self._pending = self._pending, []
        now_ns = time.monotonic_ns()
        if now_ns >= self._until_ns:
            self._turn = (self._turn + 1) % len(self._periods_ms)
            self._set_period(self._periods_ms[self._turn])
            self._until_ns = now_ns + int(_EACH_S * 1e9)
        if now_ns - self._next_ns > self._period_ns:
            self._next_ns = now_ns
        stop_ns = now_ns + int(self._budget_s * 1e9)
        work = 0.0
        while not work or time.monotonic_ns() + self._period_ns < stop_ns:
            faults += self._burst()
            work += self._chains.groups * LANES * _WIDTH * self._chains.rounds * 2 / 1e12
        self._step += 1
        return StepResult(amount=work, faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Nothing is left unchecked between steps."""
        return StepResult(amount=0.0)

    def close(self) -> None:
        """Give the card back."""
        self._card.close()

    def _set_period(self, period_ms: float) -> None:
        self._period_ns = int(period_ms * 1e6)
        self._chains.set_rounds(round(period_ms * self._duty / self._ms_per_round))
        self._golden.clear()
        self._next_ns = time.monotonic_ns()

    def _burst(self) -> list[Fault]:
        """Wait for the burst's time, run it, and check it."""
        self._late_ms.append(wait_until(self._next_ns) / 1e6)
        self._next_ns += self._period_ns
        self._chains.send()
        done = self._chains.collect()
        self._burst_ms.append(done.span_ms)
        if done.variant not in self._golden:
            self._golden[done.variant] = agreed_ends(self._chains.all_ends(done))
        return self._check(done)

    def _edges(self) -> dict[str, Scalar]:
        """Return how late bursts began and how much their ends scattered (99th percentiles), in ms."""
        late, burst = np.array(self._late_ms), np.array(self._burst_ms)
        self._late_ms, self._burst_ms = [], []
        end = float(np.percentile(np.abs(burst - np.median(burst)), 99))
        return {
            "begin_late_p99_ms": round(float(np.percentile(late, 99)), 3),
            "burst_median_ms": round(float(np.median(burst)), 3),
            "end_scatter_p99_ms": round(end, 3),
        }

    def _check(self, done: Done) -> list[Fault]:
        """Return a fault for each wrong thread, those of the first sixteen wrong groups."""
        expected = self._golden[done.variant]
        groups = wrong_groups(done.folds, fold_blocks(expected))
        return [
            Fault(
                kind="wrong_result",
                step=self._step,
                values={
                    "card": self._card.facts.name,
                    "chains": done.variant,
                    "period_ms": self._period_ns / 1e6,
                    **described(wrong, wrong_groups=len(groups)),
                },
            )
            for group in groups[:16]
            for wrong in wrong_ends(
                group, self._chains.ends_of(done, group), folds=done.folds[group], expected=expected
            )
        ]


class _GraphicsSwitching:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Open the card, size the bursts, and try fifty of them.

        Raises:
            BurninError: there is no such card, or it cannot be opened.
        """
        card = open_card(int(params.get("card", 0)))
        seed = derive(context.seed, 25, context.instance)
        groups = int(params.get("groups", 0)) or (_SOFTWARE_GROUPS if card.facts.software else _GROUPS)
        chains = Chains(
            card, FLOAT_CODE, float_starts(seed, variants=2, width=_WIDTH), groups=groups, unit=FLOAT_UNIT
        )
        period_ms = float(params.get("period_ms", 0.0))
        return _Session(
            card,
            chains,
            periods_ms=(period_ms,) if period_ms else _PERIODS_MS,
            duty=float(params.get("duty", 0.5)),
            budget_s=context.step_budget_s,
        )


PLUGIN = _GraphicsSwitching()
