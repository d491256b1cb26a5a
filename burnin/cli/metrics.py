"""The run's present values as an OpenMetrics text file, for collectors that workshops already run.

The text keeps to what both OpenMetrics 1.0 and the older Prometheus text format 0.0.4 read: gauges and counters with a
``HELP`` and a ``TYPE`` line, and the closing ``# EOF``. The file is written aside and renamed, so that a collector never
reads half of it. It is no evidence: the journal is.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from burnin.cli.screen import aside
from burnin.engine.observer import Observer, Snapshot
from burnin.records.channels import Channel
from burnin.records.events import AnyEvent

_BASE: Final[dict[str, tuple[str, float, str]]] = {
    "temperature": ("temperature_celsius", 1.0, "Temperature as the sensor gives it."),
    "fan_speed": ("fan_speed_rpm", 1.0, "Speed of a fan or pump, turns a minute."),
    "voltage": ("voltage_volts", 1.0, "Voltage."),
    "current": ("current_amperes", 1.0, "Current."),
    "power": ("power_watts", 1.0, "Power."),
    "frequency": ("frequency_hertz", 1e6, "Clock."),
    "load": ("load_ratio", 0.01, "Share of time at work, as the system counts it."),
    "memory": ("memory_bytes", float(1 << 30), "Memory in use."),
    "count": ("events", 1.0, "Count that the machine keeps."),
    "charge": ("charge_ratio", 0.01, "Charge of a battery."),
    "duty": ("duty_ratio", 0.01, "Duty of a fan or pump."),
    "ratio": ("share_ratio", 0.01, "Share."),
    "humidity": ("humidity_ratio", 0.01, "Relative humidity."),
    "noise": ("noise_decibels", 1.0, "Sound level."),
    "level": ("level_meters", 0.001, "Filling level."),
}
"""Quantity to name in base units, factor from the channel's unit, and help."""


class MetricsFile:
    """Watches a run and writes its present values; never stops it.

    Args:
        path: The file.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._aside = path.with_name(f".{path.name}.part")
        self._told = False
        self._last: Snapshot | None = None

    def event(self, event: AnyEvent, elapsed_s: float) -> None:
        """Nothing: the file holds what stands now."""

    def snapshot(self, snapshot: Snapshot) -> None:
        """Write the present values."""
        self._last = snapshot
        self._write(metrics_text(snapshot))

    def close(self) -> None:
        """Say that the run is over: no readings any more, which would only grow old."""
        if self._last is not None:
            self._write(metrics_text(self._last, over=True))

    def _write(self, text: str) -> None:
        try:
            self._aside.write_text(text, encoding="utf-8", newline="\n")
            os.replace(self._aside, self._path)  # noqa: PTH105 - one system call, as on every system
        except OSError as error:
            with contextlib.suppress(OSError):
                self._aside.unlink(missing_ok=True)
            if not self._told:
                self._told = True
                aside(f"--metrics {self._path}: {error.strerror or error}; the run goes on without")


class Both:
    """Two observers as one.

    Args:
        first: Told first.
        second: Told after it.
    """

    def __init__(self, first: Observer, second: Observer) -> None:
        self._observers = (first, second)

    def event(self, event: AnyEvent, elapsed_s: float) -> None:
        """Tell both."""
        for observer in self._observers:
            observer.event(event, elapsed_s)

    def snapshot(self, snapshot: Snapshot) -> None:
        """Tell both."""
        for observer in self._observers:
            observer.snapshot(snapshot)


def metrics_text(snapshot: Snapshot, *, over: bool = False) -> str:
    """Return the present values as OpenMetrics text; once the run is over, only that and the totals."""
    over = over or snapshot.state == "over"
    lines = [*_run_lines(snapshot, over=over), *_load_lines(snapshot)]
    if not over:
        lines += _reading_lines(snapshot)
    return "".join(f"{line}\n" for line in (*lines, "# EOF"))


def _run_lines(snapshot: Snapshot, *, over: bool) -> Iterator[str]:
    run = {"run": snapshot.run_id}
    stage = {**run, "stage": snapshot.stage_name, "state": "over" if over else snapshot.state}
    yield from _family("burnin_run_going", "gauge", "1 while the run goes on, 0 once it is over.")
    yield _sample("burnin_run_going", stage, 0.0 if over else 1.0)
    yield from _family("burnin_run_elapsed_seconds", "gauge", "Time since the run began.")
    yield _sample("burnin_run_elapsed_seconds", run, snapshot.elapsed_s)
    yield from _family("burnin_run_left_seconds", "gauge", "Time left in the run, at most.")
    yield _sample("burnin_run_left_seconds", run, 0.0 if over else snapshot.run_left_s)
    yield from _family("burnin_wrong_results", "counter", "Wrong results found so far.")
    yield _sample("burnin_wrong_results_total", run, float(snapshot.faults))


def _load_lines(snapshot: Snapshot) -> Iterator[str]:
    if snapshot.loads:
        yield from _family(
            "burnin_work", "counter", "Work done by a load of the present stage, in the load's unit."
        )
    for load in snapshot.loads:
        where = "" if load.core is None else str(load.core)
        labels = {
            "run": snapshot.run_id,
            "load": load.load,
            "id": load.load_id,
            "core": where,
            "unit": load.unit,
        }
        yield _sample("burnin_work_total", labels, load.amount)


def _reading_lines(snapshot: Snapshot) -> Iterator[str]:
    by_quantity: dict[str, list[tuple[Channel, float]]] = {}
    for channel, value in zip(snapshot.channels, snapshot.values, strict=True):
        if value is not None:
            by_quantity.setdefault(channel.quantity, []).append((channel, value))
    for quantity, readings in by_quantity.items():
        name, factor, about = _BASE[quantity]
        yield from _family(f"burnin_{name}", "gauge", about)
        for channel, value in readings:
            labels = {
                "run": snapshot.run_id,
                "channel": channel.id,
                "label": channel.label,
                "role": channel.role,
            }
            yield _sample(f"burnin_{name}", labels, value * factor)


def _family(name: str, kind: str, about: str) -> tuple[str, str]:
    return f"# HELP {name} {about}", f"# TYPE {name} {kind}"


def _sample(name: str, labels: Mapping[str, str], value: float) -> str:
    shown = ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items())
    return f"{name}{{{shown}}} {value!r}"


def _escaped(text: str) -> str:
    plain = text.encode("utf-8", "replace").decode("utf-8")
    return plain.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", " ")
