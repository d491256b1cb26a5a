"""What tests: versions of this program, its libraries and the plugins a plan uses."""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Iterable
from typing import Final

import burnin
from burnin.plugin.discovery import Found
from burnin.records.events import Software

_LIBRARIES: Final = ("numpy", "psutil", "py-cpuinfo", "msgspec", "jinja2")


def software(plugins: Iterable[Found]) -> Software:
    """Return the versions that let somebody repeat a run.

    Args:
        plugins: Plugins on hand.
    """
    libraries = {}
    for name in _LIBRARIES:
        try:
            libraries[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            libraries[name] = "unknown"
    return Software(
        burnin=burnin.__version__,
        python=platform.python_version(),
        libraries=libraries,
        plugins={f"{found.room}/{found.name}": _edition(found) for found in plugins if found.usable},
    )


def _edition(found: Found) -> str:
    version = getattr(found.plugin.spec, "version", None)
    rule = "" if version is None else f", rule {version}"
    return f"{found.distribution} {found.version}{rule}"
