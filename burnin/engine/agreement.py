"""Cores that worked on the same seed must agree; the one that does not is named, or the pair when there is no majority."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from burnin.engine.messages import Checkpoint
from burnin.engine.news import Job
from burnin.records.events import FaultFound


@dataclass(kw_only=True)
class _Group:
    """Instances of one load with equal seed and parameters."""

    jobs: dict[str, Job] = field(default_factory=dict)
    folds: dict[int, dict[str, int]] = field(default_factory=dict)
    blamed: set[str] = field(default_factory=set)


class Agreement:
    """Compares folds of results at equal steps.

    Args:
        jobs: The instances of one stage; those whose digests are not comparable are left out.
    """

    def __init__(self, jobs: tuple[Job, ...]) -> None:
        self._groups: dict[str, _Group] = {}
        self._group_of: dict[str, _Group] = {}
        for job in jobs:
            if job.compare_digests:
                key = f"{job.load}|{job.seed}|{sorted(job.params.items())}"
                group = self._groups.setdefault(key, _Group())
                group.jobs[job.load_id] = job
                self._group_of[job.load_id] = group

    def hear(
        self, load_id: str, checkpoints: tuple[Checkpoint, ...]
    ) -> list[tuple[Job, dict[str, str | int]]]:
        """Return newly found disagreements: the job blamed (the first of a tie) and what was seen."""
        group = self._group_of.get(load_id)
        if group is None or load_id in group.blamed:
            return []
        found = []
        for point in checkpoints:
            folds = group.folds.setdefault(point.step, {})
            folds[load_id] = point.digest
            sound = {each: value for each, value in folds.items() if each not in group.blamed}
            if len(set(sound.values())) > 1:
                found += _blame(group, point.step, sound)
            if len(folds) >= len(group.jobs):
                del group.folds[point.step]
        return found


def _blame(group: _Group, step: int, folds: dict[str, int]) -> list[tuple[Job, dict[str, str | int]]]:
    counts = Counter(folds.values()).most_common()
    majority = counts[0][0] if counts[0][1] > counts[1][1] else None
    if majority is None:
        if len(folds) < len(group.jobs):
            return []
        return [_tie(group, step, folds)]
    found: list[tuple[Job, dict[str, str | int]]] = []
    for load_id, digest in folds.items():
        if digest != majority:
            group.blamed.add(load_id)
            values: dict[str, str | int] = {
                "expected": f"0x{majority:016x}",
                "found": f"0x{digest:016x}",
                "agreeing": counts[0][1],
                "who": _name(group.jobs[load_id]),
            }
            found.append((group.jobs[load_id], {**values, "checkpoint": step}))
    return found


def _tie(group: _Group, step: int, folds: dict[str, int]) -> tuple[Job, dict[str, str | int]]:
    group.blamed.update(folds)
    names = [_name(group.jobs[load_id]) for load_id in folds]
    values: dict[str, str | int] = {"who": " or ".join(names), "checkpoint": step, "agreeing": 0}
    for number, (load_id, digest) in enumerate(folds.items(), start=1):
        values[f"found_{number}"] = f"0x{digest:016x} on {_name(group.jobs[load_id])}"
    return group.jobs[next(iter(folds))], values


def _name(job: Job) -> str:
    return "the load" if job.core is None else f"core {job.core}"


def disagreement(job: Job, stage: int, values: dict[str, str | int]) -> FaultFound:
    """Return the journal event of a disagreement."""
    return FaultFound(
        load_id=job.load_id,
        load=job.load,
        stage=stage,
        core=job.core if " or " not in str(values["who"]) else None,
        fault="disagreement",
        step=int(values["checkpoint"]),
        seed=f"{job.seed:x}",
        values=dict(values),
    )
