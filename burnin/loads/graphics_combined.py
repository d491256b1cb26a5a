"""Chaotic chains and memory reads at the same time: the most heat a graphics card can be made to give off.

Each thread runs chaotic floating-point chains and, between their rounds, reads graphics memory and sums what it reads.
How many rounds go with one read is measured when the load opens: the most that still leaves the memory nearly as busy as
with few. The ends of the chains and the sums fold into one word a thread, which has to be the same in every group, as
in a golden run that most groups agreed on; the host makes one set again.

Proves: that multiply-adds and reads of graphics memory are right and repeatable while both run at full rate together.

Does not prove: that memory outside the region read is sound, or that this mixture is the hottest for every card.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

import numpy as np

from burnin.calc.graphics_chains import (
    FOLD,
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
from burnin.calc.graphics_words import MIX_CODE, content
from burnin.calc.splitmix import derive
from burnin.errors import BurninError
from burnin.host.card_chains import USUAL_MS, Chains, Done
from burnin.host.card_facts import card_facts
from burnin.host.wgpu_door import Card, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_WIDTH: Final = 16
_VARIANTS: Final = 2
_GROUPS: Final = 4096
_SOFTWARE_GROUPS: Final = 16
_CONSTANT: Final = 1.99
ROWS: Final = 64
"""Rows of 4 KiB that each group reads; every group's rows hold the same words."""

_RATIOS: Final = (2, 4, 6, 8, 12, 16, 24)
_STILL_BUSY: Final = 0.75
"""Share of its fastest rate at which memory still counts as busy."""

_MOST_HOST_ROUNDS: Final = 120_000
_TRIAL_TURNS: Final = 16
_TRIALS: Final = 4

FILL_CODE: Final = (
    """
@group(0) @binding(0) var<storage, read_write> region: array<vec4<u32>>;
@group(0) @binding(1) var<storage, read> setup: array<u32>;
"""
    + MIX_CODE
    + f"""
@compute @workgroup_size(256)
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(num_workgroups) size: vec3<u32>,
        @builtin(local_invocation_index) lane: u32) {{
  let first = (group.y * size.x + group.x) * {ROWS * LANES}u;
  for (var row = 0u; row < {ROWS}u; row++) {{
    region[first + row * 256u + lane] = content(row * 256u + lane, 0u, setup[0], 0u);
  }}
}}
"""
)
_CODE: Final = f"""
@group(0) @binding(0) var<storage, read> setup: array<u32>;
@group(0) @binding(1) var<storage, read> starts: array<vec4<f32>>;
@group(0) @binding(2) var<storage, read_write> ends: array<u32>;
@group(0) @binding(3) var<storage, read> region: array<vec4<u32>>;
fn fold(h: u32, v: vec4<u32>) -> u32 {{
  return (((h * 0x9E3779B1u + v.x) * 0x9E3779B1u + v.y) * 0x9E3779B1u + v.z) * 0x9E3779B1u + v.w;
}}
@compute @workgroup_size(256)
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(num_workgroups) size: vec3<u32>,
        @builtin(local_invocation_index) lane: u32) {{
  let number = group.y * size.x + group.x;
  let first = number * {ROWS * LANES}u + lane;
  let at = (setup[1] * 256u + lane) * 4u;
  let k = vec4<f32>({_CONSTANT});
  var a = starts[at]; var b = starts[at + 1u]; var c = starts[at + 2u]; var d = starts[at + 3u];
  var sum = vec4<u32>(0u);
  let turns = setup[0] / 4u;
  for (var turn = 0u; turn < turns; turn++) {{
    for (var row = 0u; row < {ROWS}u; row += 4u) {{ TURNS }}
  }}
  var h = fold(0u, bitcast<vec4<u32>>(a));
  h = fold(h, bitcast<vec4<u32>>(b));
  h = fold(h, bitcast<vec4<u32>>(c));
  h = fold(h, bitcast<vec4<u32>>(d));
  ends[number * 256u + lane] = fold(h, sum);
}}
"""
_MAP: Final = "a = fma(-a, a, k); b = fma(-b, b, k); c = fma(-c, c, k); d = fma(-d, d, k);\n"


def code_for(ratio: int) -> str:
    """Return the kernel with ``ratio`` rounds of the chains for each row read."""
    reads = "".join(f"let r{place} = region[first + (row + {place}u) * 256u];\n" for place in range(4))
    turns = "".join(f"sum = sum * 0x9E3779B1u + r{place};\n" + ratio * _MAP for place in range(4))
    return _CODE.replace("TURNS", reads + turns)


def summed_rows(key: int, turns: int) -> U32:
    """Return the sums every group must end with after reading its rows ``turns`` times, shape (LANES, 4)."""
    rows = content(0, ROWS * LANES, buffer=0, key=key, inverse=False).reshape(ROWS, LANES, 4)
    total = np.zeros((LANES, 4), dtype=np.uint32)
    for _ in range(turns):
        for row in rows:
            total *= np.uint32(FOLD)
            total += row
    return total


SPEC: Final = LoadSpec(
    title="Chaotic chains and memory reads on a graphics card together",
    proves="Multiply-adds and reads of graphics memory are right while both run at full rate.",
    does_not_prove="Memory outside the region read; that this mixture is the hottest for every card.",
    resource="graphics",
    unit="T operations",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(
            name="groups",
            default=0,
            about="Groups of 256 threads a dispatch; 0 for the usual.",
            low=0,
            high=8191,
        ),
        Param(name="rounds", default=0, about="Four times the readings of a dispatch; 0 fits them.", low=0),
        Param(
            name="ratio",
            default=0,
            about="Rounds of the chains for each row read; 0 fits them.",
            low=0,
            high=64,
        ),
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
        ratio: Rounds of the chains for each row read.
        seed: Seed of start values and contents.
        budget_s: Length of a step.
    """

    def __init__(self, card: Card, chains: Chains, *, ratio: int, seed: int, budget_s: float) -> None:
        self._card, self._chains, self._ratio, self._budget_s = card, chains, ratio, budget_s
        self._step, self._span_ms = 0, 0.0
        self._pending: list[Fault] = []
        self._limit_w = card_facts(card.facts).power_limit_w
        self._golden: list[U32] = []
        for variant in range(chains.variants):
            done = chains.one(variant)
            self._span_ms = done.span_ms
            self._golden.append(agreed_ends(chains.all_ends(done)))
            self._pending += self._check(done)
        self.agrees = self._hold_to_host(seed)

    @property
    def turns(self) -> int:
        """Times each group reads its rows in a dispatch."""
        return self._chains.rounds // 4

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, the mixture, and the rates of the first run."""
        region = self._chains.groups * ROWS * LANES * 16
        span_s = max(self._span_ms, 1e-3) / 1e3
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "threads": self._chains.groups * LANES,
            "rounds_for_each_read": self._ratio,
            "region_bytes": region,
            "first_read_gb_s": round(region * self.turns / span_s / 1e9, 1),
            "first_t_operations_s": round(self._work() / span_s, 3),
            "power_limit_w": self._limit_w or "not known",
            "checked_by": "a first run on the same card that most groups agreed on, every thread",
            "host_agrees": self.agrees,
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

    def _work(self) -> float:
        """Return the operations of one dispatch, 10^12: two for each multiply-add."""
        return self._chains.groups * LANES * _WIDTH * self.turns * ROWS * self._ratio * 2 / 1e12

    def _hold_to_host(self, seed: int) -> str:
        """Return whether one set of ends, made again by the host, is the card's; a difference is a fault."""
        rounds = self.turns * ROWS * self._ratio
        if rounds > _MOST_HOST_ROUNDS:
            return "not compared: the chains are too long for the host"
        starts = float_starts(seed, variants=_VARIANTS, width=_WIDTH)[:1]
        sums = summed_rows(seed & 0xFFFFFFFF, self.turns)
        rivals = []
        for fused in (False, True):
            ends = run_float_chains(starts, rounds, c=_CONSTANT, fused=fused).view(np.uint32)[0]
            rivals.append(fold_ends(np.concatenate([ends, sums], axis=1)))
            if np.array_equal(rivals[-1], self._golden[0]):
                return "yes: fused, rounded once" if fused else "yes: product and sum rounded one by one"
        expected = min(rivals, key=lambda each: int(np.count_nonzero(each != self._golden[0])))
        lane = int(np.flatnonzero(expected != self._golden[0])[0])
        values: dict[str, Scalar] = {
            "card": self._card.facts.name,
            "lane": lane,
            "compared_with": "the host, with the rounding that fits best",
            "expected": f"0x{int(expected[lane]):08x}",
            "found": f"0x{int(self._golden[0][lane]):08x}",
        }
        self._pending.append(Fault(kind="wrong_result", step=0, values=values))
        return "no"

    def _account(self, ended: Iterable[Done]) -> StepResult:
        faults, self._pending = self._pending, []
        dispatches = 0
        for done in ended:
            dispatches += 1
            faults += self._check(done)
        self._step += 1
        return StepResult(
            amount=dispatches * self._work(), faults=tuple(faults[:16]), settled=not self._chains.in_flight
        )

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
                    "region_offset": f"0x{group * ROWS * LANES * 16:x}",
                    **described(wrong, wrong_groups=len(groups)),
                },
            )
            for group in groups[:16]
            for wrong in wrong_ends(
                group, self._chains.ends_of(done, group), folds=done.folds[group], expected=expected
            )
        ]


def _filled_region(card: Card, groups: int, key: int) -> object:
    """Return the region each group reads its rows from."""
    region = card.try_storage(groups * ROWS * LANES * 16)
    if region is None:
        raise BurninError(
            f"graphics_combined: {card.facts.name} has no room for {groups * ROWS * LANES >> 16} MiB",
            slug="load_memory",
            hint="Close programs that use the graphics card.",
        )
    kernel = card.kernel(FILL_CODE)
    bound = card.bind(kernel, region, card.filled(np.array([key, 0, 0, 0], dtype=np.uint32)))
    batch = card.batch()
    batch.run(kernel, bound, groups)
    batch.send().wait()
    return region


class _GraphicsCombined:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Open the card, fill the region, find the mixture, make the golden run and hold it to the host.

        Raises:
            BurninError: there is no such card, it cannot be opened or it has no room.
        """
        card = open_card(int(params.get("card", 0)))
        seed = derive(context.seed, 24, context.instance)
        groups = int(params.get("groups", 0)) or (_SOFTWARE_GROUPS if card.facts.software else _GROUPS)
        groups = min(groups, card.most_binding_bytes // (ROWS * LANES * 16))
        region = _filled_region(card, groups, seed & 0xFFFFFFFF)
        starts = float_starts(seed, variants=_VARIANTS, width=_WIDTH)

        def chains_of(ratio: int) -> Chains:
            return Chains(card, code_for(ratio), starts, groups=groups, unit=4, extra=(region,))

        ratio = int(params.get("ratio", 0)) or _busiest(chains_of, software=card.facts.software)
        chains = chains_of(ratio)
        rounds = int(params.get("rounds", 0))
        if rounds:
            chains.set_rounds(rounds)
        else:
            chains.calibrate(min(USUAL_MS, 400 * context.step_budget_s))
        return _Session(card, chains, ratio=ratio, seed=seed, budget_s=0.9 * context.step_budget_s)


def _busiest(chains_of: Callable[[int], Chains], *, software: bool) -> int:
    """Return the most rounds for each read at which memory is still nearly as busy as with few."""
    if software:
        return _RATIOS[0]
    chosen, fastest_ms = _RATIOS[0], 0.0
    for ratio in _RATIOS:
        chains = chains_of(ratio)
        chains.set_rounds(4 * _TRIAL_TURNS)
        span_ms = min(chains.one(0).span_ms for _ in range(_TRIALS))
        fastest_ms = fastest_ms or span_ms
        if fastest_ms < _STILL_BUSY * span_ms:
            break
        chosen = ratio
    return chosen


PLUGIN = _GraphicsCombined()
