"""An invented machine that runs in simulated time: for rehearsals and tests, never to stand for a real one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Final

from burnin.errors import Unreadable
from burnin.host.protocol import Clock, CommandResult, HostKind, LiveCalls
from burnin.host.simulated_plant import CORES, Load, Plant
from burnin.host.simulated_sensors import live_files
from burnin.host.simulated_tree import fixed_tree

START_WALL_NS: Final = 1_772_431_200_000_000_000
"""2026-03-02 06:00:00 UTC: where every rehearsal's wall clock begins, so that rehearsals are repeatable."""

START_MONO_NS: Final = 600_000_000_000
"""The invented machine was started ten minutes before."""


class SimulatedClock:
    """A clock that jumps: waiting for a moment makes it now.

    Args:
        tick_ns: How far each look at the clock moves it, so that a loop that waits by looking comes to its end.
        offset_s: Local time minus UTC, seconds.
    """

    def __init__(self, *, tick_ns: int = 1000, offset_s: int = 0) -> None:
        self._now_ns = START_MONO_NS
        self._tick_ns = tick_ns
        self._offset_s = offset_s
        self._lock = threading.Lock()

    def mono_ns(self) -> int:
        """Return the simulated monotonic clock, nanoseconds."""
        with self._lock:
            self._now_ns += self._tick_ns
            return self._now_ns

    def boot_ns(self) -> int:
        """Return the same: the invented machine never sleeps."""
        return self.mono_ns()

    def wall_ns(self) -> int:
        """Return the simulated time since 1970-01-01 UTC, nanoseconds."""
        return START_WALL_NS + self.mono_ns() - START_MONO_NS

    def utc_offset_s(self) -> int:
        """Return local time minus UTC, seconds."""
        return self._offset_s

    def sleep_until(self, mono_ns: int) -> None:
        """Make it ``mono_ns`` now, unless that is past."""
        with self._lock:
            self._now_ns = max(self._now_ns, mono_ns)


class SimulatedHost:
    """The invented machine.

    Args:
        clock: Its clock; a new one by default.
        seed: Seed of the sensors' noise.
        room_c: Temperature of the room, degC.
        pump_fails_at_s: When the pump stops, seconds after this object was made; None for never.
    """

    def __init__(
        self,
        *,
        clock: Clock | None = None,
        seed: int = 1,
        room_c: float = 22.0,
        pump_fails_at_s: float | None = None,
    ) -> None:
        self._clock = clock or SimulatedClock()
        self._start_ns = self._clock.mono_ns()
        self.plant = Plant(room_c=room_c, pump_fails_at_s=pump_fails_at_s)
        tree = fixed_tree()
        live = live_files(self.plant, tree, seed)
        self._files: dict[str, bytes | Callable[[], bytes]] = {**tree.files, **live}
        self._links = tree.links
        self._folders = _folders_of((*self._files, *self._links))
        self._lock = threading.RLock()

    @property
    def kind(self) -> HostKind:
        """A rehearsal."""
        return "rehearsal"

    @property
    def system(self) -> str:
        """The invented machine runs Linux."""
        return "Linux"

    @property
    def with_rights(self) -> bool:
        """Every file of the invented machine can be read."""
        return True

    @property
    def clock(self) -> Clock:
        """Its clock."""
        return self._clock

    @property
    def live(self) -> LiveCalls | None:
        """None: library calls would describe the machine this runs on."""
        return None

    def set_load(self, cpu_share: float, memory_share: float = 0.0, graphics_share: float = 0.0) -> None:
        """Set the load from now on, each share 0 to 1 of all the machine can do."""
        shares = (min(1.0, max(0.0, share)) for share in (cpu_share, memory_share, graphics_share))
        cpu, memory, graphics = shares
        with self._lock:
            self._advance()
            self.plant.load = Load(cpu=cpu, memory=memory, graphics=graphics)

    def _advance(self) -> None:
        elapsed_s = (self._clock.mono_ns() - self._start_ns) / 1e9
        if elapsed_s > self.plant.t_s:
            self.plant.advance(elapsed_s - self.plant.t_s)

    def set_file(self, path: str, content: bytes | None) -> None:
        """Replace a file's content, or take the file away with None, as a driver or a loose cable would."""
        with self._lock:
            real = self._real(path)
            if content is None:
                self._files.pop(real, None)
            else:
                self._files[real] = content
            self._folders = _folders_of((*self._files, *self._links))

    def read(self, path: str) -> bytes:
        """Return a file's content as it is at this simulated moment."""
        with self._lock:
            content = self._files.get(self._real(path))
            if content is None:
                folder = self._real(path) in self._folders
                raise Unreadable(path, "a folder, not a file" if folder else "not there")
            if isinstance(content, bytes):
                return content
            self._advance()
            return content()

    def _real(self, path: str, depth: int = 0) -> str:
        if depth > 40:
            raise Unreadable(path, "links in a circle")
        here = ""
        parts = [part for part in path.split("/") if part not in {"", "."}]
        for index, part in enumerate(parts):
            if part == "..":
                here = here.rpartition("/")[0]
                continue
            here = f"{here}/{part}"
            target = self._links.get(here)
            if target is not None:
                return self._real("/".join((target, *parts[index + 1 :])), depth + 1)
        return here or "/"

    def names(self, path: str) -> tuple[str, ...]:
        """Return the names in a folder, sorted; empty when there is none."""
        try:
            return tuple(sorted(self._folders.get(self._real(path), ())))
        except Unreadable:
            return ()

    def resolve(self, path: str) -> str | None:
        """Return the path with links followed, None when nothing is there."""
        try:
            real = self._real(path)
        except Unreadable:
            return None
        return real if real in self._files or real in self._folders else None

    def keep_open(self, path: str) -> SimulatedFile:
        """Return the file kept open."""
        self.read(path)
        return SimulatedFile(self, path)

    def run(self, command: Sequence[str], *, timeout_s: float) -> CommandResult:
        """Refuse: there is nothing to run a command on."""
        del timeout_s
        raise Unreadable(command[0], "an invented machine runs no commands")


class SimulatedFile:
    """A kept file of the invented machine.

    Args:
        host: The machine.
        path: The file.
    """

    def __init__(self, host: SimulatedHost, path: str) -> None:
        self._host = host
        self._path = path

    def read(self) -> bytes:
        """Return the content at this simulated moment."""
        return self._host.read(self._path)

    def close(self) -> None:
        """Nothing is held."""


def _folders_of(paths: Sequence[str]) -> dict[str, set[str]]:
    """Return the names in every folder that the paths imply."""
    folders: dict[str, set[str]] = {}
    for path in paths:
        rest = path
        while rest:
            folder, _, name = rest.rpartition("/")
            names = folders.setdefault(folder or "/", set())
            if name in names:
                break
            names.add(name)
            rest = folder
    return folders


__all__ = ["CORES", "START_WALL_NS", "SimulatedClock", "SimulatedFile", "SimulatedHost"]
