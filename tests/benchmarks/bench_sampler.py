"""How long one sweep of 100 hwmon channels takes through kept files, beside the sensor library's own way.

Run alone: ``python tests/benchmarks/bench_sampler.py``. Prints baseline, count, bytes and percentiles; exits 1 above 3 ms.
Judged by the processor time of a sweep at its 99th percentile, which other programs on the machine do not stretch; the
elapsed time stands beside it.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from burnin.host.recorded import RecordedHost
from burnin.sources.hwmon import PLUGIN

CHIPS = 10
SENSORS = 10
SWEEPS = 500
TARGET_MS = 3.0


def build(root: Path) -> None:
    """Write ten chips of ten temperatures, with labels and limits, as sysfs lays them out."""
    (root / "proc").mkdir()
    for chip in range(CHIPS):
        folder = root / f"sys/devices/platform/bench.{chip}/hwmon/hwmon{chip}"
        folder.mkdir(parents=True)
        (folder / "name").write_text("bench\n")
        for sensor in range(1, SENSORS + 1):
            (folder / f"temp{sensor}_label").write_text(f"Sensor {sensor}\n")
            (folder / f"temp{sensor}_input").write_text(f"{40_000 + 100 * sensor}\n")
            (folder / f"temp{sensor}_crit").write_text("100000\n")
        link = root / f"sys/class/hwmon/hwmon{chip}"
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(f"../../devices/platform/bench.{chip}/hwmon/hwmon{chip}")


def milliseconds(action, count: int) -> tuple[list[float], list[float]]:
    """Return elapsed and processor time of each call."""
    elapsed, busy = [], []
    for _ in range(count):
        began, began_busy = time.perf_counter(), time.thread_time()
        action()
        busy.append((time.thread_time() - began_busy) * 1e3)
        elapsed.append((time.perf_counter() - began) * 1e3)
    return elapsed, busy


def plain_way(root: Path):
    """Return a reader that opens, reads and closes every file at each sweep: the baseline."""
    paths = sorted(root.glob("sys/class/hwmon/*/temp*_input"))
    return lambda: [int(path.read_text()) / 1000.0 for path in paths]


def show(name: str, spans: tuple[list[float], list[float]]) -> float:
    """Print one line and return the 99th percentile of the processor time."""
    texts = []
    for kind, values in zip(("elapsed", "processor"), spans, strict=True):
        p99 = statistics.quantiles(values, n=100)[98]
        texts.append(
            f"{kind} median {statistics.median(values):6.3f} p99 {p99:6.3f} worst {max(values):6.3f}"
        )
    print(f"{name:<30} {'   '.join(texts)}  (ms)")
    return p99


def main() -> int:
    """Measure, print, judge."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        build(root)
        host = RecordedHost(folder)
        began = time.perf_counter()
        channels = PLUGIN.describe(host).channels
        described_ms = (time.perf_counter() - began) * 1e3
        session = PLUGIN.open(host, channels)
        readings = session.read()
        assert len(readings) == CHIPS * SENSORS
        assert all(reading.value is not None and reading.quality == 0 for reading in readings)
        print(
            f"{len(channels)} channels, {SWEEPS} sweeps, 6 bytes a channel; described once in {described_ms:.1f} ms"
        )
        show("baseline: open, read, close", milliseconds(plain_way(root), SWEEPS))
        p99 = show("kept files, judged readings", milliseconds(session.read, SWEEPS))
        session.close()
    print(f"target {TARGET_MS} ms at p99: {'held' if p99 <= TARGET_MS else 'MISSED'}")
    return 0 if p99 <= TARGET_MS else 1


if __name__ == "__main__":
    sys.exit(main())
