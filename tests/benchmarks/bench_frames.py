"""Time and memory to read and judge a frame log of ten million rows: run `python tests/benchmarks/bench_frames.py`.

Each kind of log is written to a temporary file and judged in a fresh process. Targets: clean logs about 5 s, dirty
ones 15 s; peak memory 500 MB for a single column, the log's own bytes included.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from burnin.calc.pacing import measure_pacing
from burnin.parse.frame_log import parse_frame_log

ROWS = 10_000_000


def rows_of(kind: str, rows: int) -> list[str]:
    """Return the lines of one kind of log, a late frame in every thousand."""
    frames_ms = np.abs(np.random.default_rng(90).normal(11.1, 0.5, rows))
    frames_ms[::1000] *= 2
    at_s = np.cumsum(frames_ms) / 1000
    match kind:
        case "one column":
            return [f"{x:.4f}\n" for x in frames_ms]
        case "presentation times":
            return [f"{t:.6f}\r\n" for t in at_s]
        case "three columns":
            return [f"{n},{t:.6f},{x:.3f}\n" for n, (t, x) in enumerate(zip(at_s, frames_ms, strict=True))]
        case "blanks":
            return [f"{n}   {x:.4f}\n" for n, x in enumerate(frames_ms)]
        case "decimal comma, 2 % lost":
            return [
                f"{n};{x:.4f}\n".replace(".", ",") if n % 50 else f"{n};lost\n"
                for n, x in enumerate(frames_ms)
            ]
        case "ragged presentation times":
            return [f"{n};{t:.6f}\n" if n % 50 else f"{n}\n" for n, t in enumerate(at_s)]
        case _:
            return [f'"{n}","{x:.4f}"\n'.replace(".", ",") for n, x in enumerate(frames_ms)]


KINDS = (
    "one column",
    "presentation times",
    "three columns",
    "blanks",
    "decimal comma, 2 % lost",
    "ragged presentation times",
    "quoted, decimal comma",
)


def judge(path: str) -> None:
    """Read and judge one log; print seconds and peak memory."""
    began = time.perf_counter()
    log = parse_frame_log(Path(path).read_bytes())
    read_s = time.perf_counter() - began
    found = measure_pacing(log.frame_ms, 90.0, at_s=log.at_s)
    total_s = time.perf_counter() - began
    status = Path("/proc/self/status").read_text(
        encoding="ascii"
    )  # the peak in rusage is inherited from the parent
    peak_mb = int(status.split("VmHWM:")[1].split()[0]) / 1000
    print(
        f"read {read_s:5.2f} s, total {total_s:5.2f} s, peak {peak_mb:4.0f} MB, {found.late_frames} late",
        flush=True,
    )


def main() -> None:
    """Write each log and judge it."""
    for kind in KINDS:
        with tempfile.NamedTemporaryFile("w", newline="", suffix=".txt") as file:
            file.writelines(rows_of(kind, ROWS))
            file.flush()
            size_mb = Path(file.name).stat().st_size / 1e6
            print(f"{kind:28s} {size_mb:4.0f} MB: ", end="", flush=True)
            subprocess.run([sys.executable, __file__, file.name], check=True)


if __name__ == "__main__":
    judge(sys.argv[1]) if len(sys.argv) > 1 else main()
