"""The bench machine for the tests of this folder: built once, started once for each file of tests."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # this folder is no package, and its files know each other

from build_image import Image, build
from guest import Build, Guest


@pytest.fixture(scope="session")
def image() -> Image:
    return build()


@pytest.fixture(scope="module")
def guest(image: Image, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guest]:
    """A bench machine with a processor sensor at 45.5 degC, switched on."""
    folder = tmp_path_factory.mktemp("bench")
    with Guest(Build(image=image, folder=folder)) as machine:
        machine.add_processor_sensor(45.5)
        machine.warm()
        yield machine
