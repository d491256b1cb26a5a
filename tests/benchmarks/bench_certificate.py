"""A certificate of 72 hours with 100 channels at 1 Hz: size, time, memory.

Run alone: ``python tests/benchmarks/bench_certificate.py``. Exits 1 when a figure is missed.

Baseline: one render in one fresh process, interpreter and libraries included in the memory; the run itself is built in
memory first (259,200 sweeps of 100 noisy channels, 104 MB of values) and its building is not timed.
"""

from __future__ import annotations

import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "report")]

HOURS = 72
CHANNELS = 100
MOST_BYTES = 1_500_000
MOST_S = 10.0
MOST_MEMORY_MB = 500.0
KINDS = (
    ("temperature", 40),
    ("frequency", 24),
    ("power", 6),
    ("fan_speed", 8),
    ("voltage", 12),
    ("load", 10),
)


def long_run():
    import samples

    from burnin.records.channels import Channel
    from burnin.testing.run_builder import RunBuilder

    channels = []
    for quantity, count in KINDS:
        for number in range(count):
            role = "cpu_clock" if quantity == "frequency" else "none"
            if quantity == "temperature":
                role = (
                    ("cpu_hottest", "coolant", "graphics")[number]
                    if number < 3
                    else "cpu_core"
                    if number < 27
                    else "board"
                )
            channels.append(
                Channel(
                    id=f"bench/{quantity}/{number}",
                    source="bench",
                    quantity=quantity,
                    label=f"{quantity} {number}",
                    role=role,
                    place="bench",
                )
            )
    assert len(channels) == CHANNELS
    run = RunBuilder(
        samples.PLAN,
        run_id="bench",
        order=samples.ORDER,
        workshop=samples.WORKSHOP,
        checklist=samples.CHECKLIST,
    )
    run.machine(channels, inventory=samples.inventory())
    span_s = HOURS * 3600.0 / len(samples.PLAN.stages)
    for index, stage in enumerate(samples.PLAN.stages):
        run.stage(index, stage.name)
        for core in range(16 if stage.loads else 0):
            run.load(f"{index}.matrix.{core}", "matrix", stage=index, core=core)
        run.wait(span_s)
        for core in range(16 if stage.loads else 0):
            run.end_load(f"{index}.matrix.{core}", steps=10**6, amount=1e6)
        run.end_stage(index, stage.name)
    return fill(run.close().view())


def fill(view):
    from burnin.records.view import WorkColumns

    sweeps = HOURS * 3600
    chance = np.random.default_rng(20260528)
    t_ns = (np.arange(sweeps, dtype=np.int64) + 1) * 1_000_000_000
    values = chance.standard_normal((sweeps, CHANNELS), dtype=np.float32)
    values += np.linspace(40.0, 75.0, CHANNELS, dtype=np.float32)
    quality = np.zeros((sweeps, CHANNELS), dtype=np.uint8)
    amount = np.arange(sweeps // 5, dtype=np.float64)
    work = {
        start.load_id: WorkColumns(
            t_ns=t_ns[start.stage * sweeps // 5 :][: sweeps // 5],
            steps=amount.astype(np.int64),
            amount=amount,
        )
        for start in view.load_starts.values()
    }
    return replace(
        view, t_ns=t_ns, seq=np.arange(sweeps, dtype=np.int64), values=values, quality=quality, work=work
    )


def findings():
    from burnin.records.findings import Finding

    return tuple(
        Finding(
            criterion="temperature_limits",
            slug="kept",
            outcome="pass",
            subject=f"channel {number}",
            observed=70.0 + number / 7,
            limit=110.0,
            unit="degC",
            margin=40.0 - number / 7,
        )
        for number in range(400)
    )


def main() -> int:
    from burnin.records.findings import Verdict
    from burnin.report.render import render_certificate

    view = long_run()
    began = time.perf_counter()
    page = render_certificate(
        view, findings(), Verdict(standing="accepted", first_look=False, reasons=(), exit_code=0)
    )
    span_s = time.perf_counter() - began
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    figures = (
        (len(page) / 1e6, MOST_BYTES / 1e6, "MB of certificate"),
        (span_s, MOST_S, "s"),
        (memory_mb, MOST_MEMORY_MB, "MB of memory at most"),
    )
    for value, limit, unit in figures:
        print(f"{value:8.2f} {unit} (at most {limit:g}): {'kept' if value <= limit else 'MISSED'}")
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_bytes(page)
    return int(any(value > limit for value, limit, _ in figures))


if __name__ == "__main__":
    sys.exit(main())
