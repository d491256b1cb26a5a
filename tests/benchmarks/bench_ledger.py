"""The ledger at 10,000 runs: import, list, search, trend. Run alone: ``python tests/benchmarks/bench_ledger.py``.

Counted: whole commands (``burnin ledger ...`` in a fresh process, interpreter start and output included) by the clock, median
of seven; and bare queries in a warm process. Import counts reading, judging and recording of journals on disk, three
channels sampled once a second: runs as long as a first look (120 sweeps), and 20-minute soaks (1,200 sweeps). The other
rows are those of 12 imported runs, told apart by id, order and serial, so that the ledger holds 10,000 runs with all
parts, figures and judgements.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs

from burnin.ledger.database import open_database
from burnin.ledger.queries import Wanted, list_runs, series
from burnin.ledger.store import Ledger
from burnin.ledger.words import search_text

RUNS = 10_000
MOST_S = 0.3
LEAST_PER_S = 50.0


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        url = sys.argv[1] if len(sys.argv) > 1 else str(place / "ledger.sqlite3")
        short, long = (
            _import_rate(place, url, sweeps=120, runs=300),
            _import_rate(place, url, sweeps=1200, runs=100),
        )
        _fill(url)
        results = [
            ("import of first looks, runs/s (at least 50)", short, short >= LEAST_PER_S),
            ("import of 20-minute soaks, runs/s (at least 50)", long, long >= LEAST_PER_S),
        ]
        for name, words in (
            ("list of 50", ["list"]),
            ("list of all", ["list", "--most", "0"]),
            ("search, 1 run found", ["list", "A-7777"]),
            ("search, 2,000 runs found, 50 shown", ["list", "quillfeather"]),
            ("by serial of a part", ["list", "--serial", "SM-00007"]),
            ("trend of a figure", ["trend", "kelvin_per_package_watt"]),
            ("trend among sisters", ["trend", "hwmon/cpu", "--unit", "K", "--like", "2026-000011-bench"]),
        ):
            wall, cpu = _command_s(url, words)
            results.append(
                (f"burnin ledger {name}: {wall:.3f} s by the clock; processor time, s", cpu, cpu < MOST_S)
            )
        results += _queries(url)
        for name, value, good in results:
            print(f"{'ok  ' if good else 'MISS'} {name}: {value:.3f}")
        return 0 if all(good for _, _, good in results) else 1


def _import_rate(place: Path, url: str, *, sweeps: int, runs: int) -> float:
    stage = replace(invented_runs.PLAN.stages[0], duration_s=float(sweeps))
    plan = replace(invented_runs.PLAN, stages=(stage,))
    out = place / f"runs-{sweeps}"
    for number in range(runs):
        run = invented_runs.builder(20_000 + sweeps * 10 + number, sweeps=sweeps, plan=plan)
        invented_runs.write_journal(run, out / f"{number}")
    command = [sys.executable, "-m", "burnin", "ledger", "import", str(out), "--url", url]
    begin = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return runs / (time.perf_counter() - begin)


def _fill(url: str) -> None:
    originals = invented_runs.entries(12)
    ledger = Ledger(open_database(url))
    for number in range(RUNS):
        ledger.add(originals[number] if number < 12 else _copy(originals[number % 12], number))
    ledger.close()


def _copy(entry, number):
    names = {"run_id": f"2026-{number:06d}-bench", "order_no": f"A-{number}", "serial": f"SN-{number:05d}"}
    customer = invented_runs.CUSTOMERS[number % len(invented_runs.CUSTOMERS)]
    parts = tuple(replace(part, serial=f"SM-{number:05d}" if part.serial else "") for part in entry.parts)
    words = search_text(
        [*names.values(), customer, *(text for part in parts for text in (part.name, part.serial))]
    )
    run = replace(
        entry.run,
        **names,
        customer=customer,
        began_ns=invented_runs.START_WALL_NS + number * 3_600_000_000_000,
        machine_sha256=f"{number:064x}",
        journal_sha256=f"{number:064x}",
        words=words,
    )
    return replace(entry, run=run, parts=parts)


def _command_s(url: str, words: list[str]) -> tuple[float, float]:
    """Return the medians of seven calls: seconds by the clock, and of processor time, which neighbours disturb less."""
    command = [sys.executable, "-m", "burnin", "ledger", *words, "--url", url]
    walls, cpus = [], []
    for _ in range(7):
        before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        done = subprocess.run(command, check=False, capture_output=True, text=True)
        walls.append(time.perf_counter() - begin)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
        assert done.returncode in {0, 1}, done.stderr
    return statistics.median(walls), statistics.median(cpus)


def _queries(url: str) -> list[tuple[str, float, bool]]:
    ledger = Ledger(open_database(url))
    asks = (
        ("list of all", lambda: list_runs(ledger.database, Wanted())),
        ("search", lambda: list_runs(ledger.database, Wanted(words="quillfeather sparrow"))),
        ("series", lambda: series(ledger.database, "hwmon/cpu", stage="all together", unit="K")),
    )
    results = []
    for name, ask in asks:
        begin = time.perf_counter()
        found = len(ask())
        took = time.perf_counter() - begin
        results.append((f"bare query, {name} ({found} rows), s", took, took < MOST_S))
    ledger.close()
    return results


if __name__ == "__main__":
    sys.exit(main())
