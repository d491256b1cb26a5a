"""Chains of dependent operations as a graphics card computes them, made again exactly on the host.

Integer chains: xorshift steps (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003) followed by
a linear congruential step, modulo 2^32. Float chains: ``a = fma(-a, a, c)``, the quadratic map, which is chaotic for c
a little below 2: a change of the last bit doubles about every step and never dies out, while chains that contract
(``a * 0.999 + c``) forget it. A fused multiply-add is rounded once; it is made here in double precision with
rounding to odd, which a second rounding to single precision cannot spoil (S. Boldo and G. Melquiond, "Emulation of a
FMA and correctly rounded sums: proved algorithms using rounding to odd", IEEE Transactions on Computers 57(4), 2008).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.splitmix import words

U32 = NDArray[np.uint32]
F32 = NDArray[np.float32]

LANES: Final = 256
"""Threads of one group; every group runs the same chains, so that every thread's end is known."""

BLOCKS: Final = 8
"""Blocks of 32 threads in a group; their ends are folded into one word each."""

FOLD: Final = 0x9E3779B1
"""Odd, so that a change of any one folded word changes the fold."""

_MULTIPLIER: Final = 1664525
_INCREMENT: Final = 1013904223
"""Of the generator in W. H. Press et al., Numerical Recipes, 2nd edition, 7.1."""

INTEGER_OPS: Final = 8
"""Operations of one round on one word: three shifts, three exclusive ors, one product, one sum."""


FLOAT_CONSTANT: Final = 1.99
"""Of the quadratic map; it keeps values between -1.98 and 1.99."""

FLOAT_UNIT: Final = 16
"""Rounds the kernel does between two turns of its loop, which costs a few instructions."""

FLOAT_CODE: Final = """
@group(0) @binding(0) var<storage, read> setup: array<u32>;
@group(0) @binding(1) var<storage, read> starts: array<vec4<f32>>;
@group(0) @binding(2) var<storage, read_write> ends: array<u32>;
fn fold(h: u32, v: vec4<u32>) -> u32 {
  return (((h * 0x9E3779B1u + v.x) * 0x9E3779B1u + v.y) * 0x9E3779B1u + v.z) * 0x9E3779B1u + v.w;
}
@compute @workgroup_size(256)
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(num_workgroups) size: vec3<u32>,
        @builtin(local_invocation_index) lane: u32) {
  let at = (setup[1] * 256u + lane) * 4u;
  let k = vec4<f32>(CONSTANT);
  var a = starts[at]; var b = starts[at + 1u]; var c = starts[at + 2u]; var d = starts[at + 3u];
  let rounds = setup[0] / 16u;
  for (var r = 0u; r < rounds; r++) { ROUNDS }
  var h = fold(0u, bitcast<vec4<u32>>(a));
  h = fold(h, bitcast<vec4<u32>>(b));
  h = fold(h, bitcast<vec4<u32>>(c));
  ends[(group.y * size.x + group.x) * 256u + lane] = fold(h, bitcast<vec4<u32>>(d));
}
""".replace(
    "ROUNDS", 16 * "a = fma(-a, a, k); b = fma(-b, b, k); c = fma(-c, c, k); d = fma(-d, d, k);\n"
).replace("CONSTANT", str(FLOAT_CONSTANT))
"""Kernel of the float chains: sixteen in each thread, FLOAT_UNIT rounds unrolled, the ends folded as ``fold_ends`` does."""


@dataclass(frozen=True, kw_only=True)
class WrongEnd:
    """One thread whose chains ended wrongly, or a block of 32 whose fold is wrong while every thread's end is right.

    Attributes:
        thread: Number of the (first) thread in the whole dispatch.
        group: Number of its group.
        expected: Fold as it must be.
        found: Fold as it was.
        block: True for a block.
    """

    thread: int
    group: int
    expected: int
    found: int
    block: bool = False


def integer_starts(seed: int, *, variants: int, width: int) -> U32:
    """Return start values, shape (variants, LANES, width)."""
    raw = words(seed, 0, variants * LANES * width)
    return (raw >> np.uint64(32)).astype(np.uint32).reshape(variants, LANES, width)


def float_starts(seed: int, *, variants: int, width: int) -> F32:
    """Return start values between -1 and 1 with all bits in use, shape (variants, LANES, width)."""
    raw = words(seed, 0, variants * LANES * width)
    unit = (raw >> np.uint64(11)).astype(np.float64) / float(1 << 53)
    return (2 * unit - 1).astype(np.float32).reshape(variants, LANES, width)


def run_integer_chains(starts: U32, rounds: int) -> U32:
    """Return the chains after ``rounds`` rounds, shape of ``starts``."""
    x = starts.copy()
    scratch = np.empty_like(x)
    for _ in range(rounds):
        for left, bits in ((True, 13), (False, 17), (True, 5)):
            (np.left_shift if left else np.right_shift)(x, np.uint32(bits), out=scratch)
            x ^= scratch
        x *= np.uint32(_MULTIPLIER)
        x += np.uint32(_INCREMENT)
    return x


def run_float_chains(starts: F32, rounds: int, *, c: float, fused: bool) -> F32:
    """Return the chains after ``rounds`` rounds of ``c - a * a``, shape of ``starts``.

    Args:
        starts: Start values.
        rounds: Rounds.
        c: The map's constant, below 2, taken in single precision.
        fused: One rounding (fused multiply-add) or two (product rounded, then sum rounded).
    """
    constant = np.float32(c)
    a = starts.copy()
    for _ in range(rounds):
        a = _fused(a, float(constant)) if fused else constant - a * a
    return a


def _fused(a: F32, c: float) -> F32:
    """Return ``c - a * a`` rounded once to single precision."""
    minus = a.astype(np.float64)
    minus *= -minus
    total = minus + c
    part = total - c
    lost = (c - (total - part)) + (minus - part)
    bits = total.view(np.int64)
    even = ((bits & 1) == 0) & (lost != 0)
    step = np.where((lost > 0) == (total > 0), 1, -1)
    bits += np.where(even, step, 0)
    result: F32 = total.astype(np.float32)
    return result


def fold_ends(ends: U32) -> U32:
    """Return one word for the words of each thread, last axis folded away; any one changed word changes it."""
    folded = ends[..., 0].copy()
    for place in range(1, ends.shape[-1]):
        folded *= np.uint32(FOLD)
        folded += ends[..., place]
    return folded


def fold_blocks(ends: U32) -> U32:
    """Return one word for each 32 neighbouring threads, shape (..., BLOCKS).

    Args:
        ends: One word a thread, shape (..., LANES).
    """
    return fold_ends(ends.reshape(*ends.shape[:-1], BLOCKS, LANES // BLOCKS))


def wrong_groups(folds: U32, expected: U32) -> tuple[int, ...]:
    """Return the numbers of the groups whose folds differ.

    Args:
        folds: Folds of all groups, shape (groups, BLOCKS).
        expected: Folds of one group, shape (BLOCKS,).
    """
    if np.array_equal(folds, np.broadcast_to(expected, folds.shape)):
        return ()
    return tuple(int(group) for group in np.flatnonzero((folds != expected).any(axis=1)))


def wrong_ends(group: int, ends: U32, *, folds: U32, expected: U32) -> tuple[WrongEnd, ...]:
    """Return the wrong threads of a group; where all ends are right, the blocks whose fold was wrong.

    Args:
        group: Number of the group.
        ends: Its ends, shape (LANES,).
        folds: Its folds, shape (BLOCKS,).
        expected: Ends as they must be, shape (LANES,).
    """
    wrong = [
        WrongEnd(
            thread=group * LANES + int(lane), group=group, expected=int(expected[lane]), found=int(ends[lane])
        )
        for lane in np.flatnonzero(ends != expected)
    ]
    if wrong:
        return tuple(wrong)
    right = fold_blocks(expected)
    return tuple(
        WrongEnd(
            thread=group * LANES + int(place) * (LANES // BLOCKS),
            group=group,
            expected=int(right[place]),
            found=int(folds[place]),
            block=True,
        )
        for place in np.flatnonzero(folds != right)
    )


def described(wrong: WrongEnd, *, wrong_groups: int) -> dict[str, str | int]:
    """Return a wrong end as the values of a fault."""
    first = {"first_thread_of_32" if wrong.block else "thread": wrong.thread}
    return {
        **first,
        "group": wrong.group,
        "lane": wrong.thread % LANES,
        "expected": f"0x{wrong.expected:08x}",
        "found": f"0x{wrong.found:08x}",
        "wrong_groups": wrong_groups,
    }


def agreed_ends(ends: U32) -> U32:
    """Return for each lane the end that most groups agree on, shape (LANES,).

    Args:
        ends: Ends of all threads, shape (groups, LANES).
    """
    ordered = np.sort(ends, axis=0)
    middle: U32 = ordered[len(ordered) // 2]
    return middle
