"""Rates of the graphics loads on the card at hand, beside its peaks, with power, clock and host time.

Run by hand: ``python tests/benchmarks/bench_graphics.py [--seconds 20] [--thorough] [load ...]``; prints one JSON line a
load. Computed peak of arithmetic: cores x 2 operations x mean clock while it ran; of memory: bus width x memory clock x 2
(both as the management library states them).
"""

from __future__ import annotations

import argparse
import json
import statistics
import threading
import time
from importlib import import_module
from typing import Any, Self

from burnin.errors import BurninError, Unreadable
from burnin.host.nvml import Nvml
from burnin.plugin.contracts import LoadContext

LOADS = (
    "graphics_integer",
    "graphics_float",
    "graphics_combined",
    "graphics_memory",
    "graphics_link",
    "graphics_switching",
    "graphics_frames",
)


class Watch:
    """Reads power, clocks and temperature ten times a second while a load runs."""

    def __init__(self) -> None:
        try:
            self.card: Any = Nvml().cards()[0]
        except (Unreadable, IndexError) as error:
            self.card = None
            print(json.dumps({"sensors": f"none: {error}"}))
        self.rows: list[dict[str, float]] = []
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.run)

    def run(self) -> None:
        while self.card and not self.stop.wait(0.1):
            names = ("power", "clock", "memory-clock", "temperature", "memory-temperature", "reasons")
            self.rows.append({name: self.card.value(name) for name in names})

    def __enter__(self) -> Self:
        self.thread.start()
        return self

    def __exit__(self, *about: object) -> None:
        self.stop.set()
        self.thread.join()

    def figures(self) -> dict[str, Any]:
        if not self.rows:
            return {}
        late = self.rows[len(self.rows) // 4 :]
        told = {
            name: round(statistics.mean(row[name] for row in late), 1)
            for name in late[0]
            if name != "reasons"
        }
        told["power_max"] = max(row["power"] for row in late)
        told["clock_min"] = min(row["clock"] for row in late)
        told["power_limit"] = self.card.value("power-limit")
        bits = 0
        for row in late:
            bits |= int(row["reasons"])
        told["reasons_seen"] = hex(bits)
        return told


def peaks(figures: dict[str, Any]) -> dict[str, float]:
    """Return computed peaks at the clocks seen."""
    import pynvml

    pynvml.nvmlInit()
    handle = pynvml.nvmlDeviceGetHandleByIndex(0)
    cores = pynvml.nvmlDeviceGetNumGpuCores(handle)
    bus = pynvml.nvmlDeviceGetMemoryBusWidth(handle)
    return {
        "peak_t_operations_s": round(cores * 2 * figures["clock"] / 1e6, 2),
        "peak_gb_s": round(bus / 8 * 2 * figures["memory-clock"] / 1e3, 1),
    }


def one(name: str, seconds: float) -> None:
    plugin = import_module(f"burnin.loads.{name}").PLUGIN
    start = time.monotonic()
    session = plugin.open(LoadContext(seed=2026, memory_bytes=384 << 20), {})
    opened = time.monotonic() - start
    for _ in range(20):
        session.step()
    amount, faults, longest, steps = 0.0, 0, 0.0, 0
    with Watch() as watch:
        begin, cpu = time.monotonic(), time.process_time()
        while time.monotonic() - begin < seconds:
            before = time.monotonic()
            result = session.step()
            longest = max(longest, time.monotonic() - before)
            amount += result.amount
            faults += len(result.faults)
            steps += 1
        span, cpu = time.monotonic() - begin, time.process_time() - cpu
    settled = 0
    while not session.finish().settled:
        settled += 1
    figures = watch.figures()
    line = {
        "load": name, "open_s": round(opened, 2), "rate": round(amount / span, 4), "unit": plugin.spec.unit + "/s",
        "host_cores": round(cpu / span, 3), "longest_step_s": round(longest, 3), "steps": steps, "faults": faults,
        "settled_after": settled, **figures, **(peaks(figures) if figures else {}), "notes": session.notes,
    }  # fmt: skip
    print(json.dumps(line), flush=True)
    session.close()


def thorough() -> None:
    """Search the frame budget at 99.9 % on time twice, and print how far the two differ."""
    plugin = import_module("burnin.loads.graphics_frames").PLUGIN
    session = plugin.open(LoadContext(seed=2026), {"budget": "none"})
    found = []
    for turn in range(2):
        start = time.monotonic()
        budget = session.search("thorough")
        found.append(budget.fits or 0.0)
        trials = [(round(t.cost), t.frames, t.late, str(t.answer)) for t in budget.trials]
        print(
            json.dumps(
                {
                    "search": turn, "fits": budget.fits, "too_much": budget.too_much, "closed": budget.closed,
                    "span_s": round(time.monotonic() - start, 1), "trials": trials,
                }
            ),
            flush=True,
        )  # fmt: skip
    if min(found):
        print(json.dumps({"searches_differ_pct": round(100 * abs(found[1] / found[0] - 1), 3)}))
    session.close()


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("loads", nargs="*")
    options.add_argument("--seconds", type=float, default=20.0)
    options.add_argument(
        "--thorough", action="store_true", help="search the frame budget at 99.9 %% too (minutes)"
    )
    chosen = options.parse_args()
    for name in chosen.loads or LOADS:
        try:
            one(name, chosen.seconds)
        except (BurninError, RuntimeError) as error:
            print(json.dumps({"load": name, "error": f"{type(error).__name__}: {error}"}), flush=True)
    if chosen.thorough:
        thorough()


if __name__ == "__main__":
    main()
