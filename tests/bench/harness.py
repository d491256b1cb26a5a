"""Runs of the harness inside the bench machine, started as a user starts them, and what they left."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from guest import Answer, Guest

CHECKLIST = """format = 1
title = "Bench machine"
[[lines]]
id = "system"
kind = "operating_system"
text = "A 64-bit operating system"
at_least = 64
unit = "bit"
"""
"""A checklist that the bench machine passes, so that only the injected fault decides."""

STAGE = "together"


def plan(
    *, seconds: int, on_fault: str = "continue", trip_c: float = 90.0, most_mib: int = 32, more: str = ""
) -> str:
    """Return a plan with loads small enough for an emulated processor: a moment idle, then both kinds together."""
    return f"""format = 1
title = "Bench"
about = "Tiny loads for an emulated machine."
first_look = true
minimum_minutes = 1
on_fault = "{on_fault}"
sample_hz = 2
{more}
limits = {{ cpu_c = 85, cpu_trip_c = {trip_c} }}
[[stages]]
name = "idle"
kind = "idle"
duration_s = 8
[[stages]]
name = "{STAGE}"
kind = "combined"
duration_s = {seconds}
[[stages.loads]]
load = "matrix"
cores = [0]
params = {{ n = 64 }}
[[stages.loads]]
load = "memory_patterns"
cores = [1]
params = {{ most_mib = {most_mib} }}
"""


@dataclass(kw_only=True)
class Run:
    """A run as it was left.

    Attributes:
        answer: What the command said.
        folder: Copy of its folder.
    """

    answer: Answer
    folder: Path

    @property
    def result(self) -> dict[str, Any]:
        return json.loads((self.folder / "result.json").read_text("utf-8"))

    @property
    def events(self) -> list[dict[str, Any]]:
        """The journal's events, each with its monotonic time as ``t``."""
        lines = (self.folder / "journal.jsonl").read_bytes().splitlines()
        found = [json.loads(line) for line in lines if line.strip()]
        return [{"t": line["t"]} | line["event"] for line in found]

    def of_kind(self, kind: str) -> list[dict[str, Any]]:
        return [event for event in self.events if event["kind"] == kind]

    def finding(self, criterion: str, subject: str = "") -> dict[str, Any]:
        (found,) = (
            each for each in self.result["findings"]
            if each["criterion"] == criterion and (not subject or each["subject"] == subject)
        )  # fmt: skip
        return found

    def failed(self) -> set[str]:
        """The criteria that failed."""
        return {each["criterion"] for each in self.result["findings"] if each["outcome"] == "fail"}


def begin(guest: Guest, name: str, text: str) -> None:
    """Start a run in the background; its folder is made under ``/data/NAME``."""
    (guest.share / "bench.toml").write_text(CHECKLIST, encoding="utf-8")
    (guest.share / f"{name}.toml").write_text(text, encoding="utf-8")
    guest.begin(
        name,
        f"burnin accept --plan /share/{name}.toml --checklist /share/bench.toml --out /data/{name} --yes",
    )


def wait_loaded(guest: Guest, name: str, *, timeout_s: float = 120) -> None:
    """Wait until the loads of a run work."""

    def loaded() -> bool:
        if (guest.share / f"{name}.code").exists():
            raise AssertionError(f"the run ended before its loads began: {guest.said(name)[-1500:]}")
        return f"{STAGE}: begins" in guest.said(name)

    guest.wait(loaded, "loads", timeout_s=timeout_s)


def wait_said(guest: Guest, name: str, words: str, *, timeout_s: float = 60) -> None:
    """Wait until a run says something."""
    guest.wait(lambda: words in guest.said(name), f"'{words}'", timeout_s=timeout_s)


def finish(guest: Guest, name: str, *, timeout_s: float = 180) -> Run:
    """Wait for the end of a run and take its folder out of the machine."""
    answer = guest.ended(name, timeout_s=timeout_s)
    return Run(answer=answer, folder=folder_of(guest, name))


def folder_of(guest: Guest, name: str) -> Path:
    """Copy the one run made under ``/data/NAME`` out of the machine."""
    copied = guest.fetch(f"/data/{name}", f"{name}-runs")
    (folder,) = (path for path in copied.iterdir() if path.is_dir())
    return folder
