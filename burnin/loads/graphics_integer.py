"""Integer chains on a graphics card, checked exactly against the host.

Every group of threads runs the same 256 chains of shifts, exclusive ors, products and sums; the host makes them again
and compares the end of every thread.

Proves: that integer shifts, logic, products and sums of this card are right on every unit that took part; a wrong thread
is named.

Does not prove: floating-point arithmetic, graphics memory, or that the card's hottest state was reached.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from burnin.calc.graphics_chains import (
    INTEGER_OPS,
    LANES,
    described,
    fold_blocks,
    fold_ends,
    integer_starts,
    run_integer_chains,
    wrong_ends,
    wrong_groups,
)
from burnin.calc.splitmix import derive
from burnin.host.card_chains import USUAL_MS, Chains, Done
from burnin.host.wgpu_door import Card, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_WIDTH: Final = 4
_UNIT: Final = 16
_VARIANTS: Final = 4
_GROUPS: Final = 16384
_SOFTWARE_GROUPS: Final = 16
_ROUND: Final = """
    x ^= x << vec4<u32>(13u); x ^= x >> vec4<u32>(17u); x ^= x << vec4<u32>(5u);
    x = x * 1664525u + vec4<u32>(1013904223u);
"""
CODE: Final = """
@group(0) @binding(0) var<storage, read> setup: array<u32>;
@group(0) @binding(1) var<storage, read> starts: array<vec4<u32>>;
@group(0) @binding(2) var<storage, read_write> ends: array<u32>;
@compute @workgroup_size(256)
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(num_workgroups) size: vec3<u32>,
        @builtin(local_invocation_index) lane: u32) {
  var x = starts[setup[1] * 256u + lane];
  let rounds = setup[0] / 16u;
  for (var r = 0u; r < rounds; r++) { ROUNDS }
  ends[(group.y * size.x + group.x) * 256u + lane] =
    ((x.x * 0x9E3779B1u + x.y) * 0x9E3779B1u + x.z) * 0x9E3779B1u + x.w;
}
""".replace("ROUNDS", _UNIT * _ROUND)

SPEC: Final = LoadSpec(
    title="Integer chains on a graphics card",
    proves="Integer arithmetic of the card gives exactly the host's results, on every thread.",
    does_not_prove="Floating-point arithmetic; graphics memory.",
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
        starts = integer_starts(seed, variants=_VARIANTS, width=_WIDTH)
        self._expected = fold_ends(run_integer_chains(starts, chains.rounds))
        self._step = 0

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, and the size of a dispatch."""
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "threads": self._chains.groups * LANES,
            "rounds_per_dispatch": self._chains.rounds,
            "checked_by": "the host, every thread",
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

    def _account(self, ended: Iterable[Done]) -> StepResult:
        faults: list[Fault] = []
        dispatches = 0
        for done in ended:
            dispatches += 1
            faults += self._check(done)
        self._step += 1
        work = dispatches * self._chains.groups * LANES * _WIDTH * self._chains.rounds * INTEGER_OPS
        return StepResult(amount=work / 1e12, faults=tuple(faults[:16]), settled=not self._chains.in_flight)

    def _check(self, done: Done) -> list[Fault]:
        """Return a fault for each wrong thread, those of the first sixteen wrong groups."""
        expected = self._expected[done.variant]
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


class _GraphicsInteger:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Open the card, size the dispatches and make the right answers.

        Raises:
            BurninError: there is no such card, or it cannot be opened.
        """
        card = open_card(int(params.get("card", 0)))
        seed = derive(context.seed, 21, context.instance)
        groups = int(params.get("groups", 0)) or (_SOFTWARE_GROUPS if card.facts.software else _GROUPS)
        chains = Chains(
            card, CODE, integer_starts(seed, variants=_VARIANTS, width=_WIDTH), groups=groups, unit=_UNIT
        )
        rounds = int(params.get("rounds", 0))
        if rounds:
            chains.set_rounds(rounds)
        else:
            chains.calibrate(min(USUAL_MS, 400 * context.step_budget_s))
        return _Session(card, chains, seed=seed, budget_s=0.9 * context.step_budget_s)


PLUGIN = _GraphicsInteger()
