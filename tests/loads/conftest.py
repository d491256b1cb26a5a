"""What the tests of loads share: opening a load small, and turning single bits in its memory."""

from __future__ import annotations

import ctypes
import random
from typing import Any

import numpy as np
import pytest

from burnin.plugin.contracts import LoadContext

SMALL: dict[str, dict[str, Any]] = {
    "matrix": {"n": 64},
    "matrix_single": {"n": 64},
    "digest": {"links": 2000},
    "memory_patterns": {"most_mib": 3},
    "linear_solve": {"n": 32},
    "fourier": {"log2_n": 9},
    "big_integer": {"bits": 4096, "products": 5},
    "compression": {"kib": 16},
    "sorting": {"log2_n": 10},
    "backtracking": {"n": 8},
    "transcendental": {"log2_n": 8},
    "march": {"cells": 64},
}
"""Parameters with which a step takes about a millisecond."""


def buffers_of(session: Any) -> dict[str, tuple[int, int]]:
    """Return every array and mapping reachable from a session: name to address and size."""
    found: dict[int, tuple[str, int]] = {}
    seen: set[int] = set()

    def look(name: str, value: Any) -> None:
        if id(value) in seen:
            return
        seen.add(id(value))
        if isinstance(value, np.ndarray):
            owner = value
            while isinstance(owner.base, np.ndarray):
                owner = owner.base
            if owner.nbytes:
                found[owner.ctypes.data] = (name, owner.nbytes)
        elif isinstance(value, dict):
            for key, item in list(value.items()):
                look(f"{name}.{key}", item)
        elif isinstance(value, list | tuple):
            for place, item in enumerate(value):
                look(f"{name}[{place}]", item)
        elif type(value).__name__ == "_Region":
            found[value.address] = (name, value.count)
        elif hasattr(value, "__dict__") and type(value).__module__.startswith("burnin."):
            for key, item in list(vars(value).items()):
                look(f"{name}.{key}", item)

    look("session", session)
    return {f"{name}@{address:x}": (address, size) for address, (name, size) in found.items()}


class Flipper:
    """Turns single bits, chosen by a seed.

    Args:
        seed: Seed of the choice.
    """

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)

    def somewhere(self, session: Any) -> tuple[str, int]:
        """Turn one bit anywhere in a session's buffers; return the buffer's name and the byte's address."""
        buffers = buffers_of(session)
        name = self.rng.choices(list(buffers), weights=[size for _, size in buffers.values()])[0]
        address = buffers[name][0] + self.rng.randrange(buffers[name][1])
        self.at(address)
        return name.partition("@")[0], address

    def at(self, address: int) -> None:
        """Turn one bit of the byte at an address."""
        ctypes.c_uint8.from_address(address).value ^= 1 << self.rng.randrange(8)


@pytest.fixture
def flipper() -> Flipper:
    return Flipper(20)


@pytest.fixture
def open_small():
    """Return a function that opens a load with small parameters."""
    opened = []

    def opener(name: str, *, seed: int = 7, params: dict[str, Any] | None = None, **context: Any) -> Any:
        from importlib import import_module

        plugin = import_module(f"burnin.loads.{name}").PLUGIN
        about = {"step_budget_s": 0.001, "memory_bytes": 64 << 20} | context
        session = plugin.open(LoadContext(seed=seed, **about), SMALL.get(name, {}) | (params or {}))
        opened.append(session)
        return session

    yield opener
    for session in opened:
        session.close()
