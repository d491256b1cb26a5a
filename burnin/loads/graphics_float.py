"""Chaotic floating-point chains on a graphics card: the right ends come from a golden run, and from the host.

Every group of threads runs the same chains ``a = fma(-a, a, c)`` from exact start values. The map is chaotic: a change of
one bit doubles from step to step instead of dying out. The golden ends are what most groups of a first run agree on; one
set of chains is made again on the host with exactly rounded fused operations, so that a card that is wrong everywhere
is found too.

Proves: that single-precision fused multiply-adds of this card are right and repeatable on every unit that took part.

Does not prove: double precision, special functions or matrix units; graphics memory. Of single-bit faults
in the mantissa about one in thirty falls below the next rounding and leaves no trace; what outlives that stays (none
of the others was gone 40,000 rounds later).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from burnin.calc.graphics_chains import (
    FLOAT_CODE,
    FLOAT_CONSTANT,
    FLOAT_UNIT,
    LANES,
    U32,
    agreed_ends,
    described,
    float_starts,
    fold_blocks,
    fold_ends,
    run_float_chains,
    wrong_ends,
    wrong_groups,
)
from burnin.calc.splitmix import derive
from burnin.host.card_chains import USUAL_MS, Chains, Done
from burnin.host.wgpu_door import Card, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_WIDTH: Final = 16
_VARIANTS: Final = 4
_GROUPS: Final = 16384
_SOFTWARE_GROUPS: Final = 16
_MOST_HOST_ROUNDS: Final = 120_000
"""Rounds the host can make again in some seconds; longer chains are compared on their beginning."""

SPEC: Final = LoadSpec(
    title="Chaotic floating-point chains on a graphics card",
    proves="Single-precision multiply-adds of the card are right and repeatable on every thread.",
    does_not_prove="Double precision, special functions, matrix units; graphics memory.",
    resource="graphics",
    unit="T operations",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(
            name="groups",
            default=0,
            about="Groups of 256 threads a dispatch; 0 for the usual.",
            low=0,
            high=65535,
        ),
        Param(name="rounds", default=0, about="Rounds a dispatch; 0 fits them to its length.", low=0),
    ),
    per_core=False,
    finest_step_s=0.002,
    needs="a graphics card with a Vulkan driver, and the extra 'gpu'",
)


class _Session:
    """An opened load.

    Args:
        card: The card.
        chains: Chains, calibrated.
        seed: Seed of the start values.
        budget_s: Length of a step.
    """

    def __init__(self, card: Card, chains: Chains, *, seed: int, budget_s: float) -> None:
        self._card, self._chains, self._budget_s = card, chains, budget_s
        self._step = 0
        self._pending: list[Fault] = []
        self._golden: list[U32] = []
        for variant in range(chains.variants):
            done = chains.one(variant)
            self._golden.append(agreed_ends(chains.all_ends(done)))
            self._pending += self._check(done)
        self.rounding = self._hold_to_host(seed)

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, the size of a dispatch, and what the ends are compared with."""
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "threads": self._chains.groups * LANES,
            "rounds_per_dispatch": self._chains.rounds,
            "checked_by": "a first run on the same card that most groups agreed on, every thread",
            "host_agrees": self.rounding,
        }

    def step(self) -> StepResult:
        """Keep the card busy for a step and check what ended."""
        return self._account(self._chains.work(self._budget_s))

    def finish(self) -> StepResult:
        """Check what is still on its way."""
        return self._account(self._chains.drain())

    def close(self) -> None:
        """Give the card back."""
        self._card.close()

    def _hold_to_host(self, seed: int) -> str:
        """Return how the card rounds, as one set of chains made again by the host shows; anything else is a fault."""
        starts = float_starts(seed, variants=self._chains.variants, width=_WIDTH)[:1]
        if self._chains.rounds > _MOST_HOST_ROUNDS:
            return "not compared: the chains are too long for the host"
        rivals = []
        for fused, words in ((True, "fused, rounded once"), (False, "product and sum rounded one by one")):
            ends = run_float_chains(starts, self._chains.rounds, c=FLOAT_CONSTANT, fused=fused)
            rivals.append(fold_ends(ends.view(np.uint32))[0])
            if np.array_equal(rivals[-1], self._golden[0]):
                return f"yes: {words}"
        self._pending.append(self._differs(min(rivals, key=self._wrong_lanes)))
        return "no"

    def _wrong_lanes(self, expected: U32) -> int:
        return int(np.count_nonzero(expected != self._golden[0]))

    def _differs(self, expected: U32) -> Fault:
        lane = int(np.flatnonzero(expected != self._golden[0])[0])
        values: dict[str, Scalar] = {
            "card": self._card.facts.name,
            "lane": lane,
            "compared_with": "the host, with the rounding that fits best",
            "expected": f"0x{int(expected[lane]):08x}",
            "found": f"0x{int(self._golden[0][lane]):08x}",
            "wrong_lanes": self._wrong_lanes(expected),
        }
        return Fault(kind="wrong_result", step=0, values=values)

    def _account(self, ended: Iterable[Done]) -> StepResult:
        faults, self._pending = self._pending, []
        dispatches = 0
        for done in ended:
            dispatches += 1
            faults += self._check(done)
        self._step += 1
        work = dispatches * self._chains.groups * LANES * _WIDTH * self._chains.rounds * 2
        return StepResult(amount=work / 1e12, faults=tuple(faults[:16]), settled=not self._chains.in_flight)

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
                    **described(wrong, wrong_groups=len(groups)),
                },
            )
            for group in groups[:16]
            for wrong in wrong_ends(
                group, self._chains.ends_of(done, group), folds=done.folds[group], expected=expected
            )
        ]


class _GraphicsFloat:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Open the card, size the dispatches, make the golden run and hold it to the host.

        Raises:
            BurninError: there is no such card, or it cannot be opened.
        """
        card = open_card(int(params.get("card", 0)))
        seed = derive(context.seed, 22, context.instance)
        groups = int(params.get("groups", 0)) or (_SOFTWARE_GROUPS if card.facts.software else _GROUPS)
        chains = Chains(
            card,
            FLOAT_CODE,
            float_starts(seed, variants=_VARIANTS, width=_WIDTH),
            groups=groups,
            unit=FLOAT_UNIT,
        )
        rounds = int(params.get("rounds", 0))
        if rounds:
            chains.set_rounds(rounds)
        else:
            chains.calibrate(min(USUAL_MS, 400 * context.step_budget_s))
        return _Session(card, chains, seed=seed, budget_s=0.9 * context.step_budget_s)


PLUGIN = _GraphicsFloat()
