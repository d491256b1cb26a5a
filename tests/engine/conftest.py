from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from burnin.host.simulated import SimulatedClock


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock()
