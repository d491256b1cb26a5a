"""Chains of SHA-256 digests, held to stored answers, to a second implementation and to the other cores.

Proves: that this core hashes rightly (with its hashing unit, where the library uses it) and runs the interpreter's
integer and branch instructions rightly: one wrong bit anywhere in a chain changes its end.

Does not prove: anything about floating-point or vector arithmetic; it needs hardly any memory and runs cooler than
products.
"""

from __future__ import annotations

import hashlib
from typing import Final

import numpy as np

from burnin.calc.sealed import SealedCopy, reported
from burnin.calc.sha256_known import ENDS, LINKS
from burnin.calc.sha256_plain import chain_start, digest_of, links_of
from burnin.calc.splitmix import derive, words
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_LINKS_PER_S: Final = 1_000_000
"""Links a second for which a step is sized; the usual core does two to four times as many."""

_SPACING: Final = 200
"""One link of so many is computed a second time."""

_BATCH: Final = 512
"""Links that the second implementation computes side by side."""

_STORED_EVERY: Final = 50_000
"""Links between two stored chains."""

KNOWN_ANSWERS: Final = (
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
)
"""Messages and digests of the examples published with FIPS 180-4 (one block, two blocks, a million letters)."""

SPEC: Final = LoadSpec(
    title="Chains of SHA-256 digests",
    proves="Hashing, integer and branch instructions give right results; cores agree to the last bit.",
    does_not_prove="Floating-point and vector arithmetic; memory.",
    resource="cpu",
    unit="links",
    params=(
        Param(
            name="links",
            default=0,
            about="Links of one step; 0 fits them to the step.",
            low=0,
            high=1_000_000,
        ),
    ),
    finest_step_s=0.001,
    compare_digests=True,
)


class _Session:
    """An opened digest load.

    Args:
        seed: Seed of the chains.
        links: Links of one step.
        first: Number of the first step.
    """

    def __init__(self, *, seed: int, links: int, first: int) -> None:
        self._seed, self._links, self._step = seed, links, first
        self._pairs: list[tuple[bytes, bytes]] = []
        ends = np.frombuffer(bytes.fromhex("".join(ENDS)), dtype=np.uint64)
        self._ends = SealedCopy("stored answers", ends)
        self._pending = _known_answer_faults()

    @property
    def notes(self) -> dict[str, Scalar]:
        """Size of a step, and what the answers are compared with."""
        return {
            "links_per_step": self._links,
            "stored_chains": len(ENDS),
            "links_of_a_stored_chain": LINKS,
            "computed_twice": f"1 link in {_SPACING}",
        }

    def step(self) -> StepResult:
        """Run one chain of its own, check a sample of it, and now and then a stored chain."""
        end = self._chain()
        faults, self._pending = self._pending + self._mend(), []
        amount = self._links
        if self._step * self._links // _STORED_EVERY != (self._step - 1) * self._links // _STORED_EVERY:
            faults += self._stored_chain(self._step * self._links // _STORED_EVERY % len(ENDS))
            amount += LINKS
        if len(self._pairs) >= _BATCH:
            faults += self._check_pairs()
        self._step += 1
        return StepResult(
            amount=amount,
            digest=int.from_bytes(end[:8], "big"),
            faults=tuple(faults[:16]),
            settled=not self._pairs,
        )

    def finish(self) -> StepResult:
        """Check the links that wait for the second implementation."""
        faults, self._pending = self._pending + self._mend() + self._check_pairs(), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Forget what waits."""
        self._pairs.clear()

    def _chain(self) -> bytes:
        """Run the chain of this step, note one link in each stretch, and return its end."""
        sha = hashlib.sha256
        link = chain_start(self._seed, self._step)
        stretches = max(1, self._links // _SPACING)
        at = (words(self._seed ^ self._step, 0, stretches) % np.uint64(_SPACING)).tolist()
        for stretch in range(stretches):
            length = _SPACING if stretch < stretches - 1 else self._links - _SPACING * (stretches - 1)
            before = min(at[stretch], length - 1)
            for _ in range(before):
                link = sha(link).digest()
            noted, link = link, sha(link).digest()
            self._pairs.append((noted, link))
            for _ in range(length - before - 1):
                link = sha(link).digest()
        return link

    def _check_pairs(self) -> list[Fault]:
        """Compute the noted links with the second implementation."""
        pairs, self._pairs = self._pairs, []
        if not pairs:
            return []
        right = links_of(b"".join(before for before, _ in pairs))
        if right == b"".join(after for _, after in pairs):
            return []
        faults = []
        for place, (before, after) in enumerate(pairs):
            if right[32 * place : 32 * place + 32] != after:
                faults.append(self._wrong_link(before, after))
        return faults

    def _wrong_link(self, before: bytes, after: bytes) -> Fault:
        """Describe a link on which the implementations differ; both are asked once more."""
        values: dict[str, Scalar] = {
            "message": before.hex(),
            "expected": digest_of(before).hex(),
            "found": after.hex(),
            "found_again": hashlib.sha256(before).hexdigest(),
        }
        return Fault(kind="wrong_result", step=self._step, values=values)

    def _mend(self) -> list[Fault]:
        """Check the stored answers themselves, and put right what changed."""
        return [
            Fault(kind="memory_word", step=self._step, values=values)
            for values in reported(self._ends.mend())
        ]

    def _stored_chain(self, index: int) -> list[Fault]:
        """Run a stored chain and compare its end."""
        right = self._ends.values[4 * index : 4 * index + 4].tobytes()
        found = _stored_end(index)
        if found == right:
            return []
        values: dict[str, Scalar] = {
            "chain": index,
            "expected": right.hex(),
            "found": found.hex(),
            "found_again": _stored_end(index).hex(),
        }
        return [Fault(kind="wrong_result", step=self._step, values=values)]


def _stored_end(index: int) -> bytes:
    """Return the end of a stored chain as this core computes it."""
    sha = hashlib.sha256
    link = chain_start(0, index)
    for _ in range(LINKS):
        link = sha(link).digest()
    return link


def _known_answer_faults() -> list[Fault]:
    """Return a fault for each published answer that the library or the second implementation does not give."""
    found = [
        (len(message), right, hashlib.sha256(message).hexdigest(), "library")
        for message, right in KNOWN_ANSWERS
    ]
    found += [
        (len(message), right, digest_of(message).hex(), "second") for message, right in KNOWN_ANSWERS[:2]
    ]
    return [
        Fault(
            kind="wrong_result",
            step=0,
            values={"message_bytes": size, "expected": right, "found": got, "implementation": who},
        )
        for size, right, got, who in found
        if got != right
    ]


class _Digest:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Check the published answers (a wrong one is reported by the first step) and get ready."""
        links = int(params.get("links", 0)) or max(20, int(_LINKS_PER_S * context.step_budget_s))
        return _Session(seed=derive(context.seed, 1), links=links, first=context.first_step)


PLUGIN = _Digest()
