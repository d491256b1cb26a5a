"""The one command that repeats the work in which a load found a wrong result."""

from __future__ import annotations

import shlex
from collections.abc import Mapping

from burnin.records.plan import Scalar


def scalar_text(value: Scalar) -> str:
    """Return a parameter as the command line takes it."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def reproduce_command(
    load: str, cores: tuple[int, ...], *, seed: str, step: int, params: Mapping[str, Scalar], pulsed: bool
) -> str:
    """Return the command line.

    Args:
        load: Name of the load.
        cores: Logical CPU suspected, then those it is compared with; empty for any.
        seed: Seed (hex).
        step: Step of the wrong result.
        params: Parameters in force.
        pulsed: Whether steps were as short as pulsed shapes ask for.
    """
    words = ["burnin", "reproduce", "--load", load]
    if cores:
        words += ["--core", str(cores[0])]
    if len(cores) > 1:
        words += ["--beside", str(cores[1])]
    words += ["--seed", f"0x{seed}", "--step", str(step)]
    for key, value in sorted(params.items()):
        words += ["--param", f"{key}={scalar_text(value)}"]
    return shlex.join([*words, "--pulsed"] if pulsed else words)
