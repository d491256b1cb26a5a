from __future__ import annotations

import pytest

from burnin.testing import storage_trials as trials


class StepClock:
    """A clock that moves on by a fixed step whenever it is read."""

    def __init__(self, step_ns: int = 1_000_000) -> None:
        self.now_ns = 1_000
        self.step_ns = step_ns

    def mono_ns(self) -> int:
        self.now_ns += self.step_ns
        return self.now_ns

    def boot_ns(self) -> int:
        return self.mono_ns()

    def wall_ns(self) -> int:
        return self.mono_ns()

    def utc_offset_s(self) -> int:
        return 0

    def sleep_until(self, mono_ns: int) -> None:
        self.now_ns = max(self.now_ns, mono_ns)


@pytest.fixture
def clock():
    return StepClock()


@pytest.fixture
def events():
    return trials.told_events()


@pytest.fixture(scope="session")
def journal():
    return trials.whole_journal(trials.told_events())
