from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

from burnin.host.recorded import RecordedHost


class Machine:
    """A machine tree under construction."""

    def __init__(self, root: Path) -> None:
        self.root = root
        (root / "proc").mkdir(parents=True)

    def put(self, path: str, content: str | bytes) -> None:
        file = self.root / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content if isinstance(content, bytes) else content.encode())

    def fill(self, folder: str, files: dict[str, object]) -> None:
        for name, content in files.items():
            self.put(f"{folder}/{name}", f"{content}\n")

    def link(self, path: str, target: str) -> None:
        link = self.root / path.lstrip("/")
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(target)

    def remove(self, path: str) -> None:
        (self.root / path.lstrip("/")).unlink()

    def chip(self, number: int, device: str, files: dict[str, object]) -> str:
        """Add a hwmon chip the way the kernel does: a folder below its device, and a relative link from the class."""
        folder = f"{device}/hwmon/hwmon{number}"
        self.fill(folder, files)
        self.link(f"/sys/class/hwmon/hwmon{number}", f"../..{folder.removeprefix('/sys')}")
        return folder

    def host(self, **kwargs: object) -> RecordedHost:
        return RecordedHost(str(self.root), **kwargs)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path / "tree")


def read_all(plugin, host):
    """Return channel id to reading of one sweep of everything a source describes."""
    channels = plugin.describe(host).channels
    session = plugin.open(host, channels)
    try:
        readings = session.read()
    finally:
        session.close()
    assert len(readings) == len(channels)
    return {channel.id: reading for channel, reading in zip(channels, readings, strict=True)}


@pytest.fixture
def sweep():
    return read_all


class Library:
    """Answers of the sensor library, to be changed by a test."""

    def __init__(self) -> None:
        self.loads = [10.0, 90.0]
        self.memory = (32.0, 20.0, 0.5)
        self.battery: float | None = None
        self.clocks = [3000.0]
        self.temperatures: list = []
        self.fans: list = []

    def cpu_loads_pct(self):
        return tuple(self.loads)

    def memory_gib(self):
        return self.memory

    def battery_pct(self):
        return self.battery

    def cpu_clocks_mhz(self):
        return tuple(self.clocks)

    def temperatures_c(self):
        return tuple(self.temperatures)

    def fans_rpm(self):
        return tuple(self.fans)


class LiveHost:
    """A host with a library and, for the rest, nothing."""

    kind = "this machine"
    with_rights = True
    clock = None

    def __init__(self, system: str = "Linux") -> None:
        self.system = system
        self.live = Library()

    def names(self, path):
        return ()

    def resolve(self, path):
        return None


@pytest.fixture
def live_host():
    return LiveHost


@pytest.fixture
def graphics_library():
    """A fresh stand-in for the graphics management library."""
    path = Path(__file__).parents[1] / "host" / "fake_nvml.py"
    spec = importlib.util.spec_from_file_location("fake_nvml", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.FakeLibrary()
