from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture
def graphics_library():
    """A fresh stand-in for the graphics management library."""
    spec = importlib.util.spec_from_file_location("fake_nvml", Path(__file__).with_name("fake_nvml.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.FakeLibrary()
