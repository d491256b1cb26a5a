"""Transfers over the link between the machine and its graphics card, both ways, every word checked on the card.

The card fills a buffer of its own memory, copies it to the machine's memory, copies it back into another buffer, and
compares every word with what it must be. For a wrong word the host looks at what the machine's memory holds, so that it
is told whether it was lost on the way down or on the way up.

Proves: that what crosses the link both ways arrives unchanged, at the rate printed beside the link's limit.

Does not prove: the rate a program reaches that copies otherwise; anything about links between cards.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from burnin.calc.graphics_words import MIX_CODE
from burnin.calc.splitmix import derive
from burnin.errors import BurninError
from burnin.host.card_facts import CardFacts, card_facts, link_limit_gb_s
from burnin.host.card_memory import CardMemory, Sweep
from burnin.host.clock import RealClock
from burnin.host.wgpu_door import Card, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_BYTES: Final = 256 << 20
_SOFTWARE_BYTES: Final = 4 << 20
_TRIALS: Final = 12

SPEC: Final = LoadSpec(
    title="Transfers between the machine and its graphics card",
    proves="What crosses the link both ways arrives unchanged.",
    does_not_prove="The rate of programs that copy otherwise; links between cards.",
    resource="graphics",
    unit="GB",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(
            name="mib", default=0, about="Size of one transfer, MiB; 0 for the usual 256.", low=0, high=1024
        ),
    ),
    per_core=False,
    finest_step_s=0.02,
    needs="a graphics card with a Vulkan driver that lets host memory be used directly, and the extra 'gpu'",
)


class _Session:
    """An opened load.

    Args:
        card: The card.
        memory: Two buffers of the card: what is sent, and what came back.
        host_side: Buffer in the machine's memory.
        facts: What the driver says about the card.
        context: From the engine.
    """

    def __init__(
        self, card: Card, memory: CardMemory, host_side: Any, *, facts: CardFacts, context: LoadContext
    ) -> None:
        self._card, self.memory, self.host_side, self._facts = card, memory, host_side, facts
        self._seed, self._budget_s = derive(context.seed, 26), 0.9 * context.step_budget_s
        self._clock, self._step = RealClock(), 0
        self._size = memory.sizes[0]
        self._link = (0, 0)
        self.rates_gb_s = self._measure()

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, the link while it worked, its limit, and the rates reached."""
        generation, lanes = self._link
        limit = link_limit_gb_s(generation, lanes)
        down, up = self.rates_gb_s
        notes: dict[str, Scalar] = {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "transfer_bytes": self._size,
            "down_gb_s": round(down, 2),
            "up_gb_s": round(up, 2),
            "link_under_load": f"generation {generation}, {lanes} lanes" if limit else "not known",
            "link_limit_gb_s": round(limit, 2) or "not known",
        }
        if limit:
            notes["down_share_of_limit"] = round(down / limit, 3)
            notes["up_share_of_limit"] = round(up / limit, 3)
        return notes

    def step(self) -> StepResult:
        """Send buffers down and up until the step's time is used up."""
        faults: list[Fault] = []
        stop_ns = self._clock.mono_ns() + int(self._budget_s * 1e9)
        done = 0
        while not done or self._clock.mono_ns() < stop_ns:
            self._turn(faults)
            done += 2 * self._size
        self._step += 1
        return StepResult(amount=done / 1e9, faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Nothing is left unchecked between steps."""
        return StepResult(amount=0.0)

    def close(self) -> None:
        """Give the card back."""
        self._card.close()

    def send_down(self, key: int) -> tuple[float, float]:
        """Fill, copy down and up; return how long each way took, in seconds (0 where the card tells no time)."""
        fill = Sweep(old_key=0, old_inverse=False, new_key=key, new_inverse=False, check=False)
        self.memory.received(self.memory.send([0], fill))
        start_ns = self._clock.mono_ns()
        batch = self._card.batch(stamps=3)
        batch.stamp(0)
        batch.copy(self.memory.buffers[0], self.host_side, self._size)
        batch.stamp(1)
        batch.copy(self.host_side, self.memory.buffers[1], self._size)
        batch.stamp(2)
        answer = batch.send().wait()
        wall_s = (self._clock.mono_ns() - start_ns) / 1e9
        down_ms, up_ms = answer.span_ms(0), answer.span_ms(1)
        if not down_ms or not up_ms or not self._card.timed_between:
            return wall_s / 2, wall_s / 2
        return down_ms / 1e3, up_ms / 1e3

    def check(self, key: int, faults: list[Fault]) -> None:
        """Compare what came back with what was sent."""
        look = Sweep(old_key=key, old_inverse=False, new_key=0, new_inverse=False, write=False)
        count, wrong, _ = self.memory.received(self.memory.send([1], look))
        for word in wrong:
            values: dict[str, Scalar] = {
                "card": self._card.facts.name,
                "offset": f"0x{word.offset:x}",
                "expected": f"0x{word.expected:08x}",
                "found": f"0x{word.found:08x}",
                "way": self._way(word.offset, word.expected),
                "wrong_words": count,
            }
            faults.append(Fault(kind="wrong_transfer", step=self._step, values=values))

    def _way(self, offset: int, expected: int) -> str:
        """Return on which way a word went wrong, as the machine's memory still holds it."""
        there = int(self._card.read(self.host_side, offset, 4)[0])
        return "up" if there == expected else "down, or in the machine's memory"

    def _turn(self, faults: list[Fault]) -> None:
        key = derive(self._seed, self._step, len(faults)) & 0xFFFFFFFF
        self.send_down(key)
        self.check(key, faults)

    def _measure(self) -> tuple[float, float]:
        """Return the rates down and up, GB/s: medians over some transfers."""
        spans = []
        for turn in range(_TRIALS):
            spans.append(self.send_down(turn))
            self._link = max(self._link, self._facts.link())
        down_s, up_s = np.median(np.array(spans), axis=0)
        return self._size / float(down_s) / 1e9, self._size / float(up_s) / 1e9


class _GraphicsLink:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Open the card, take buffers on both sides, and measure the rates.

        Raises:
            BurninError: there is no such card, or it cannot copy from and to the machine's memory directly.
        """
        card = open_card(int(params.get("card", 0)), host_side=True)
        if not card.host_visible:
            raise BurninError(
                f"graphics_link: {card.facts.name} lets no memory of the machine be used directly, so its link cannot "
                "be measured",
                slug="no_graphics",
                hint="Another driver may offer it.",
            )
        size = (int(params.get("mib", 0)) << 20) or (_SOFTWARE_BYTES if card.facts.software else _BYTES)
        memory = CardMemory(card, mix_code=MIX_CODE, most_bytes=2 * size, buffer_bytes=size, one_number=True)
        if len(memory.buffers) < 2:
            raise BurninError(
                f"graphics_link: {card.facts.name} gave no {size >> 20} MiB twice",
                slug="load_memory",
                hint="Close programs that use the graphics card.",
            )
        host_side = card.host_side(size)
        return _Session(card, memory, host_side, facts=card_facts(card.facts), context=context)


PLUGIN = _GraphicsLink()
