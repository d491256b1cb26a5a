"""Stereo frames of a generated scene, drawn off screen at a headset's size and rate.

Before the first step the load measures: frames drawn one after another as fast as the card can; how much cost fits in a
frame (a bracketing search, see ``calc.budget_search``); and frames started on the refresh rate's schedule. Then every step
draws paced frames. A frame is on time when it took no longer on the card's own clock than a refresh interval; what the
host adds is reported apart. One frame of each step is compared, row by row, with the same picture drawn first.

Proves: that this card draws this scene at this size and rate on time as often as counted, and draws the same picture
every time.

Does not prove: that any program will run well, that a picture reached a display, or how frames are timed by a headset's
own software. Figures hold for this scene only.
"""

from __future__ import annotations

import time
from collections import deque
from typing import Final

import numpy as np

from burnin.calc.arrays import Floats
from burnin.calc.budget_search import Budget, Goal, search_budget
from burnin.calc.frame_figures import cost_that_fits, frame_figures
from burnin.calc.splitmix import derive
from burnin.host.card_scene import COST_OF_A_ROUND, POSES, SceneSize, StereoScene
from burnin.host.exact_wait import SPIN_NS, wait_until
from burnin.host.wgpu_door import U32, Card, Ticket, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_WARM_FRAMES: Final = 40
_FREE_FRAMES: Final = 400
_PACED_FRAMES: Final = 270
_BATCH: Final = 10
_QUICK: Final = Goal(late_share=0.01, confidence=0.9, width=0.02, rounds=9)
_THOROUGH: Final = Goal(late_share=0.001, confidence=0.95, width=0.02, rounds=10)
_SEARCH_BATCH: Final = {"quick": 100, "thorough": 1000}
GOALS: Final = {"quick": _QUICK, "thorough": _THOROUGH}
"""Goals of the budget search; the thorough one takes minutes and does not fit into the opening of a load."""

_AROUND: Final = {"quick": 0.08, "thorough": 0.03}
"""The search brackets this much to either side of what a straight line through a few costs foretells."""

SPEC: Final = LoadSpec(
    title="Stereo frames off screen at a headset's size and rate",
    proves="The card draws this scene on time as often as counted, and the same picture every time.",
    does_not_prove="How any program runs; what a display or a headset's own software does.",
    resource="graphics",
    unit="frames on time",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(name="refresh_hz", default=90.0, about="Refresh rate, Hz.", low=10.0, high=240.0),
        Param(name="eye_width", default=1344, about="Pixels across for each eye.", low=16, high=4096),
        Param(name="eye_height", default=1600, about="Pixels down.", low=16, high=4096),
        Param(
            name="scene",
            default=1,
            about="Number of the scene; figures compare within one scene only.",
            low=0,
        ),
        Param(name="cubes", default=1000, about="Cubes of the scene.", low=1, high=100000),
        Param(
            name="cost",
            default=0,
            about="Arithmetic for each pixel, 64 a round; 0 fills about half a frame.",
            low=0,
            high=100000000,
        ),
        Param(
            name="budget",
            default="quick",
            about="Search how much fits in a frame: 99 % on time, or not at all.",
            choices=("quick", "none"),
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
        scene: The scene.
        refresh_hz: Refresh rate.
        cost: Cost of a frame; 0 fits about half a frame.
        budget: Which search.
    """

    def __init__(self, card: Card, scene: StereoScene, *, refresh_hz: float, cost: int, budget: str) -> None:
        self._card, self.scene, self._hz = card, scene, refresh_hz
        self._step, self._frame = 0, 0
        self._flying: deque[tuple[Ticket, int, int]] = deque()
        self._next_ns = 0
        self._rows: U32 = np.empty(0, dtype=np.uint32)
        self.free_frames(_WARM_FRAMES)
        self.foretold = self._foretell()
        self._found: dict[str, Scalar] = {}
        if budget != "none" and self.foretold:
            self._found = _told(self.search(budget), self.foretold)
        self.scene.set_cost(cost or max(1, round(self.foretold / 2)))
        self._golden = [self._sums(pose) for pose in range(POSES)]
        self._found |= self._free() | self._paced()

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, the target, and everything measured before the first step."""
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "eye_width": self.scene.size.eye_width,
            "eye_height": self.scene.size.eye_height,
            "refresh_hz": self._hz,
            "cubes": self.scene.size.cubes,
            "scene_seed": f"0x{self.scene.size.seed:08x}",
            "cost": self.scene.cost,
            "frames_per_step": self._per_step,
            "timed_by": "the card's clock"
            if self._card.timed
            else "the host's clock: the card tells no time",
            **self._found,
        }

    @property
    def _per_step(self) -> int:
        return max(1, int(0.1 * self._hz))

    def step(self) -> StepResult:
        """Draw a tenth of a second of paced frames and compare the last picture."""
        took_ms, _ = self.paced_frames(self._per_step)
        late = int(np.count_nonzero(took_ms * self._hz > 1000))
        faults = self.compare((self._frame - 1) % POSES, self._rows)
        self._step += 1
        return StepResult(amount=float(len(took_ms) - late), faults=tuple(faults))

    def finish(self) -> StepResult:
        """Nothing is left unchecked between steps."""
        return StepResult(amount=0.0)

    def close(self) -> None:
        """Give the card back."""
        self._card.close()

    def free_frames(self, frames: int) -> Floats:
        """Draw frames one after another; return what each took, ms, shape (frames,)."""
        took: list[float] = []
        for first in range(0, frames, _BATCH):
            count = min(_BATCH, frames - first)
            self._flying.append(self._send(count))
            if len(self._flying) > 1:
                took += self._collect()
        while self._flying:
            took += self._collect()
        return np.array(took)

    def paced_frames(self, frames: int) -> tuple[Floats, Floats]:
        """Start frames on the schedule; return what each took and how late it was started, ms."""
        took: list[float] = []
        late: list[float] = []
        now_ns = time.monotonic_ns()
        if now_ns > self._next_ns:
            self._next_ns = now_ns + 2 * SPIN_NS
        for place in range(frames):
            late.append(wait_until(self._next_ns) / 1e6)
            self._next_ns += int(1e9 / self._hz)
            self._flying.append(self._send(1, summed=place == frames - 1))
            if len(self._flying) > 2:
                took += self._collect()
        while self._flying:
            took += self._collect()
        return np.array(took), np.array(late)

    def search(self, kind: str) -> Budget:
        """Search the largest cost that fits in a frame."""
        batch = _SEARCH_BATCH[kind]

        def run(cost: float) -> tuple[int, int]:
            self.scene.set_cost(round(cost))
            took_ms = self.free_frames(batch)
            return batch, int(np.count_nonzero(took_ms * self._hz > 1000))

        around = _AROUND[kind]
        low, high = self.foretold * (1 - around), self.foretold * (1 + around)
        return search_budget(run, low=low, high=high, goal=GOALS[kind])

    def compare(self, pose: int, rows: U32) -> list[Fault]:
        """Compare the sums of a picture's rows with those of the same pose drawn first."""
        golden = self._golden[pose]
        wrong = np.flatnonzero(rows != golden)
        if not wrong.size:
            return []
        values: dict[str, Scalar] = {
            "card": self._card.facts.name,
            "pose": pose,
            "row": int(wrong[0]),
            "wrong_rows": int(wrong.size),
            "expected": f"0x{int(golden[wrong[0]]):08x}",
            "found": f"0x{int(rows[wrong[0]]):08x}",
        }
        return [Fault(kind="wrong_picture", step=self._step, values=values)]

    def _send(self, count: int, *, summed: bool = False) -> tuple[Ticket, int, int]:
        """Send frames; with ``summed``, the sums of the last picture's rows come back too."""
        batch = self._card.batch(stamps=2 * count)
        for place in range(count):
            self.scene.draw(batch, self._frame % POSES, first_stamp=2 * place)
            self._frame += 1
        if summed:
            self.scene.sum_rows(batch)
        results = [(self.scene.rows, 4 * self.scene.size.eye_height)] if summed else []
        return batch.send(*results), count, time.monotonic_ns()

    def _collect(self) -> list[float]:
        """Return what the frames of the oldest ticket took, ms; keep the sums of a picture that came with them."""
        ticket, count, sent_ns = self._flying.popleft()
        answer = ticket.wait()
        if answer.results:
            self._rows = answer.results[0]
        if not len(answer.stamps_ns):
            return [(time.monotonic_ns() - sent_ns) / 1e6 / count] * count
        spans: list[float] = ((answer.stamps_ns[1::2] - answer.stamps_ns[::2]) / 1e6).tolist()
        return [max(span, 1e-6) for span in spans]

    def _sums(self, pose: int) -> U32:
        """Draw one pose and return the sums of its rows."""
        self._frame = pose
        self._flying.append(self._send(1, summed=True))
        self._collect()
        return self._rows

    def _foretell(self) -> float:
        """Return the cost at which a line through a few costs reaches a refresh interval, 0 where none does."""
        costs: list[int] = []
        took: list[float] = []
        cost = 8 * COST_OF_A_ROUND
        while len(costs) < 12:
            self.scene.set_cost(cost)
            poses_ms = np.median(self.free_frames(5 * POSES).reshape(-1, POSES), axis=0)
            took.append(float(poses_ms.max()))
            costs.append(cost)
            if took[-1] * self._hz > 800:
                break
            cost *= 2
        if len(costs) < 2:
            return 0.0
        return cost_that_fits(np.array(costs[-3:], dtype=float), np.array(took[-3:]), 1000 / self._hz)

    def _free(self) -> dict[str, Scalar]:
        start_ns = time.monotonic_ns()
        took_ms = self.free_frames(_FREE_FRAMES)
        wall_s = (time.monotonic_ns() - start_ns) / 1e9
        figures = frame_figures(took_ms, self._hz)
        return {
            "free_frames": figures.frames,
            "free_mean_ms": round(figures.mean_ms, 4),
            "free_p99_ms": round(figures.p99_ms, 4),
            "free_max_ms": round(figures.max_ms, 4),
            "free_frames_per_s_wall": round(figures.frames / wall_s, 1),
        }

    def _paced(self) -> dict[str, Scalar]:
        took_ms, late_ms = self.paced_frames(_PACED_FRAMES)
        figures = frame_figures(took_ms, self._hz)
        return {
            "paced_frames": figures.frames,
            "paced_late": figures.late,
            "paced_late_in_a_row": figures.late_in_a_row,
            "paced_mean_ms": round(figures.mean_ms, 4),
            "paced_p99_ms": round(figures.p99_ms, 4),
            "paced_p999_ms": round(figures.p999_ms, 4),
            "paced_budget_share_pct": round(100 * figures.budget_share, 2),
            "start_late_p99_ms": round(float(np.percentile(late_ms, 99)), 4),
            "late_starts": int(np.count_nonzero(late_ms * self._hz > 1000)),
        }


def _told(budget: Budget, foretold: float) -> dict[str, Scalar]:
    """Return the outcome of a budget search in words."""
    share, sure = 100 * (1 - budget.goal.late_share), 100 * budget.goal.confidence
    return {
        "budget_cost": round(budget.fits) if budget.fits else "none shown to fit",
        "budget_too_much": round(budget.too_much) if budget.too_much else "none tried",
        "budget_goal": f"{share:g} % of frames on time, {sure:g} % confidence, bracket {100 * budget.goal.width:g} %",
        "budget_closed": budget.closed,
        "budget_frames": sum(trial.frames for trial in budget.trials),
        "budget_foretold": round(foretold),
    }


class _GraphicsFrames:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:  # noqa: ARG002 - one scene for every seed
        """Open the card, build the scene and measure.

        Raises:
            BurninError: there is no such card, or it cannot be opened.
        """
        card = open_card(int(params.get("card", 0)))
        size = SceneSize(
            eye_width=int(params.get("eye_width", 1344)),
            eye_height=int(params.get("eye_height", 1600)),
            cubes=int(params.get("cubes", 1000)),
            seed=derive(int(params.get("scene", 1)), 27) & 0xFFFFFFFF,
        )
        return _Session(
            card,
            StereoScene(card, size),
            refresh_hz=float(params.get("refresh_hz", 90.0)),
            cost=int(params.get("cost", 0)),
            budget=str(params.get("budget", "quick")),
        )


PLUGIN = _GraphicsFrames()
