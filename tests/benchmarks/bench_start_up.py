"""How long ``burnin --help`` takes beside a bare interpreter that imports argparse (target: at most 2 times).

Baseline: ``python -c "import argparse"``. Pairs are interleaved; the figure is the median of the paired ratios with
a 95 % interval by order statistics; the claim holds if the lower bound of the interval is at or below the target.
"""

from __future__ import annotations

import subprocess
import sys
import time

PAIRS = 25
TARGET = 2.0


def seconds(*arguments: str) -> float:
    """Return the wall time of one interpreter."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begun


def test_help_is_about_as_quick_as_the_interpreter() -> None:
    ours, bare = ("-c", "from burnin.__main__ import run; run()", "--help"), ("-c", "import argparse")
    seconds(*ours)
    ratios = sorted(seconds(*ours) / seconds(*bare) for _ in range(PAIRS))
    low, middle, high = ratios[7], ratios[PAIRS // 2], ratios[17]
    print(
        f"burnin --help: {middle:.2f} times a bare interpreter (95 % interval {low:.2f} to {high:.2f}, {PAIRS} pairs)"
    )
    assert low <= TARGET
