"""The invented runs every test of this room draws on, and a reader of HTML that knows nothing of the program."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
try:
    import browser  # noqa: F401  # tests import it by name
    import hostile  # noqa: F401  # the same
    import invented
    import page_reader  # noqa: F401  # the same
    import samples
finally:
    sys.path.remove(str(Path(__file__).parent))


@pytest.fixture(scope="session")
def accepted():
    return samples.accepted()


@pytest.fixture(scope="session")
def rejected():
    return samples.rejected()


@pytest.fixture(scope="session")
def bare():
    return samples.bare()


@pytest.fixture(scope="session")
def waived():
    return samples.waived()


@pytest.fixture(scope="session")
def machine():
    return invented.inventory()
