"""A load whose own code failed is run again with the same seed on the same core: a defect of the software comes back.

One that comes back is ours (the run is inconclusive); one that does not makes the machine suspect.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from burnin.engine.news import Job, JobGone, JobProgress, JobReady, News
from burnin.records.events import LoadEnded

_SUFFIX = "~again"
_STEPS_MORE = 32
"""Steps past the failing one after which it counts as not repeated."""


@dataclass(kw_only=True)
class _Replay:
    job: Job
    ended: LoadEnded
    steps: int
    over: bool = False


class Replays:
    """The replays of one stage."""

    def __init__(self) -> None:
        self._replays: dict[str, _Replay] = {}

    def begin(self, job: Job, ended: LoadEnded, *, steps: int) -> Job:
        """Return the job that repeats ``job``; ``ended`` is told once its replay is decided."""
        again = Job(**{**job.__dict__, "load_id": job.load_id + _SUFFIX, "compare_digests": False})
        self._replays[again.load_id] = _Replay(job=again, ended=ended, steps=steps)
        return again

    def concerns(self, news: News) -> bool:
        """Return whether news are about a replay."""
        return getattr(news, "load_id", "").endswith(_SUFFIX)

    @property
    def running(self) -> list[str]:
        """Ids of replays whose process is not known to be gone."""
        return [load_id for load_id, replay in self._replays.items() if not replay.over]

    def hear(self, news: News) -> tuple[str, LoadEnded | None]:
        """Return what to do with the replay (``go``, ``stop`` or nothing) and the decided end of the original."""
        replay = self._replays.get(getattr(news, "load_id", ""))
        if replay is None or replay.over:
            return "", None
        if isinstance(news, JobReady):
            return "go", None
        if isinstance(news, JobProgress) and news.steps > replay.steps + _STEPS_MORE:
            return "stop", self._decide(replay, f"replayed: not repeated in {news.steps} steps")
        if isinstance(news, JobGone):
            same = news.how == "exception"
            word = "replayed: same" if same else f"not replayed: the replay ended otherwise ({news.how})"
            return "", self._decide(replay, word)
        return "", None

    def give_up(self) -> list[LoadEnded]:
        """Return the ends of originals whose replay was not decided when the stage ended."""
        open_ones = [replay for replay in self._replays.values() if not replay.over]
        return [self._decide(replay, "not replayed: the stage ended first") for replay in open_ones]

    def _decide(self, replay: _Replay, word: str) -> LoadEnded:
        replay.over = True
        return msgspec.structs.replace(replay.ended, detail=f"{word}; {replay.ended.detail}")
