"""Cores that worked on the same seed must agree; the one that does not is named, or the pair when there is no majority."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from burnin.engine.messages import Checkpoint
from burnin.engine.news import Job, JobWrong
from burnin.engine.seats import Seat, seat_name
from burnin.records.events import FaultFound


@dataclass(kw_only=True)
class _Group:
    """Instances of one load with equal seed and parameters, on cores of one type."""

    jobs: dict[str, Job] = field(default_factory=dict)
    seats: dict[str, str] = field(default_factory=dict)
    folds: dict[int, dict[str, int]] = field(default_factory=dict)
    blamed: set[str] = field(default_factory=set)
    gone: set[str] = field(default_factory=set)
    disputed: dict[int, dict[str, int]] = field(default_factory=dict)

    @property
    def awaited(self) -> set[str]:
        """Instances whose results are still compared."""
        return self.jobs.keys() - self.gone - self.blamed

    def votes(self, folds: Mapping[str, int]) -> list[tuple[int, int]]:
        """Return results with the number of seats that gave each, most first."""
        seats: dict[int, set[str]] = {}
        for load_id, digest in folds.items():
            seats.setdefault(digest, set()).add(self.seats[load_id])
        return sorted(((digest, len(each)) for digest, each in seats.items()), key=lambda pair: -pair[1])


class Agreement:
    """Compares folds of results at equal steps.

    Args:
        jobs: The instances of one stage; those whose digests are not comparable are left out.
        seats: Logical CPU to seat: threads of one core have one vote, and two types of core may round differently.
    """

    def __init__(self, jobs: tuple[Job, ...], seats: Mapping[int, Seat] | None = None) -> None:
        self._seats = seats or {}
        self._groups: dict[str, _Group] = {}
        self._group_of: dict[str, _Group] = {}
        for job in jobs:
            if job.compare_digests:
                seat = self._seats.get(-1 if job.core is None else job.core)
                kind = "" if seat is None else seat.kind
                key = f"{job.load}|{job.seed}|{sorted(job.params.items())}|{kind}"
                group = self._groups.setdefault(key, _Group())
                group.jobs[job.load_id] = job
                group.seats[job.load_id] = (
                    job.load_id if job.core is None else seat_name(job.core, self._seats)
                )
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
            if folds.keys() >= group.awaited:
                del group.folds[point.step]
        return found

    def leave(self, load_id: str) -> None:
        """An instance is over and gives no more results."""
        group = self._group_of.get(load_id)
        if group is not None:
            group.gone.add(load_id)

    def partners(self, load_id: str) -> list[Job]:
        """Return the other instances that do the same work as ``load_id``, in the order of their cores."""
        group = self._group_of.get(load_id)
        return [] if group is None else [job for each, job in group.jobs.items() if each != load_id]

    def answers(self, load_id: str, step: int) -> dict[str, int]:
        """Return the results of a step about which the instances disagreed, by load id."""
        group = self._group_of.get(load_id)
        return {} if group is None else dict(group.disputed.get(step, {}))


def _blame(group: _Group, step: int, folds: dict[str, int]) -> list[tuple[Job, dict[str, str | int]]]:
    counts = group.votes(folds)
    complete = folds.keys() >= group.awaited
    most = counts[0][1] > counts[1][1] if complete else 2 * counts[0][1] > len(set(group.seats.values()))
    majority = counts[0][0] if most else None
    if majority is None and not complete:
        return []
    group.disputed[step] = group.folds[step]
    if majority is None:
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


def wrong_result(job: Job, stage: int, news: JobWrong) -> FaultFound:
    """Return the journal event of a wrong result that a load found by itself."""
    return FaultFound(
        load_id=news.load_id,
        load=job.load,
        stage=stage,
        core=job.core,
        fault=news.fault,
        step=news.step,
        seed=f"{job.seed:x}",
        values=news.values,
    )


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
