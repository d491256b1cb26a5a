"""Size of a long journal, its reading rate with the chain verified, memory, and the size of a bundle.

``python tests/benchmarks/journal_size_and_speed.py [HOURS]`` (72 if not given). 100 channels at 1 Hz: 30 temperatures
in whole degrees, 32 clocks and 32 loads with noise in the last digit written, 6 voltages in millivolts; totals of 16
loads in every tenth sweep. The rate counts the bytes of the file over the time from opening it to the finished view.
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

from burnin.journal.bundle import make_bundle
from burnin.journal.compact import event_bytes
from burnin.journal.frame import NO_LINE_BEFORE, encode_line, line_hash
from burnin.journal.reader import read_run
from burnin.records.channels import Channel
from burnin.records.events import Sweep, WorkDone
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

READS = 5


def sweep(number: int, chance: random.Random) -> Sweep:
    work = ()
    if number % 10 == 0:
        work = tuple(
            WorkDone(
                load_id=f"0.matrix.{core}",
                steps=number * 40,
                amount=number * 41.25,
                digest=f"{chance.getrandbits(64):016x}",
            )
            for core in range(16)
        )
    values = [float(round(chance.gauss(60, 3))) for _ in range(30)]
    values += [chance.gauss(4700, 50) for _ in range(32)]
    values += [round(chance.uniform(90, 100), 1) for _ in range(32)]
    values += [round(chance.gauss(12, 0.05), 3) for _ in range(6)]
    return Sweep(v=tuple(values), w=work)


def write(path: Path, hours: float) -> None:
    chance = random.Random(1)
    builder = RunBuilder(Plan(format=1, name="long", title="Long"))
    builder.machine(
        [Channel(id=f"s/c/{n}", source="s", quantity="temperature", label=f"T{n}") for n in range(100)]
    )
    prev, seq = NO_LINE_BEFORE, 0
    with path.open("wb") as file:
        events = [line.event for line in builder.lines]
        for number in range(-len(events), round(hours * 3600)):
            event = events[number] if number < 0 else sweep(number, chance)
            raw = encode_line(
                event_bytes(event), seq=seq, mono_ns=builder.mono_ns + max(0, number) * 10**9, prev=prev
            )
            prev, seq = line_hash(raw), seq + 1
            file.write(raw + b"\n")


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 72.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "journal.jsonl"
        write(path, hours)
        size = path.stat().st_size
        print(f"{hours:g} h: {size / 1e6:.1f} MB ({size * 72 / hours / 1e6:.1f} MB in 72 h; at most 200)")
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        rates, cpu_rates = [], []
        view = None
        for _ in range(READS):
            view = None  # the run before must not count as memory of this one
            start, start_cpu = time.perf_counter(), time.process_time()
            view = read_run(path)
            rates.append(size / (time.perf_counter() - start) / 1e6)
            cpu_rates.append(size / (time.process_time() - start_cpu) / 1e6)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        columns = view.values.nbytes + view.quality.nbytes + view.t_ns.nbytes + view.seq.nbytes
        print(
            f"read into the view, chain verified: {', '.join(f'{rate:.0f}' for rate in rates)} MB/s (at least 60)"
        )
        print(f"the same per second of processor time: {', '.join(f'{rate:.0f}' for rate in cpu_rates)} MB")
        print(
            f"memory: {(peak - before) / 1e3:.0f} MB more at the peak, of which columns {columns / 1e6:.0f} MB"
        )
        if hours <= 8:
            packed = make_bundle({"journal.jsonl": path.read_bytes(), "seal.json": b"{}"})
            print(f"bundle: {len(packed) / 1e6:.2f} MB (at most 8 for 8 h)")


if __name__ == "__main__":
    main()
