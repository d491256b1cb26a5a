from __future__ import annotations

import io

import pytest
from rich.console import Console

from burnin.cli.live import LiveView, history_text
from burnin.cli.views import LineView, clock_text, event_text, fault_text, trip_text
from burnin.engine.observer import LoadLine, Snapshot
from burnin.records import events as e
from burnin.records.channels import Absence, Channel

CPU = Channel(id="c", source="s", quantity="temperature", label="CPU package", role="cpu_hottest")
FAN = Channel(id="f", source="s", quantity="fan_speed", label="Fan 1")
ODD = Channel(id="d", source="s", quantity="humidity", label="Damp")


def snapshot(**fields) -> Snapshot:
    load = {"load": "matrix", "unit": "products", "faults": 0, "state": "working"}
    base = {
        "run_id": "r",
        "stage": 2,
        "stages": 5,
        "stage_name": "soak",
        "stage_left_s": 61.0,
        "run_left_s": 3700.0,
        "elapsed_s": 20.0,
        "channels": (FAN, CPU, ODD),
        "values": (1200.0, 71.5, None),
        "trips": {"c": 95.0},
        "loads": (
            LoadLine(load_id="a", core=0, amount=10.0, **load),
            LoadLine(load_id="b", core=None, amount=12.0, **load),
        ),
        "faults": 0,
        "state": "running",
    }
    return Snapshot(**{**base, **fields})


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (-5, "0:00"), (59.6, "1:00"), (3599, "59:59"), (3600, "1:00:00")]
)
def test_spans_as_people_read_them(seconds, text) -> None:
    assert clock_text(seconds) == text


FAULT = e.FaultFound(
    load_id="a",
    load="memory_patterns",
    stage=0,
    core=3,
    fault="memory_word",
    step=7,
    values={"address": "0x10", "mask": "0x1"},
)


@pytest.mark.parametrize(
    ("event", "text"),
    [
        (e.StageOpening(index=0, name="a"), "Stage 1, a: loads are opening"),
        (e.StageStarted(index=0, name="a"), "Stage 1, a: begins"),
        (e.StageEnded(index=0, name="a", reason="time"), "Stage 1, a: over (its time is up)"),
        (e.StageEnded(index=0, name="a", reason="odd"), "Stage 1, a: over (odd)"),
        (e.LoadStarted(load_id="a", load="matrix", stage=0, core=1), "Load 'matrix' on core 1: open"),
        (e.LoadStarted(load_id="a", load="matrix", stage=0), "Load 'matrix': open"),
        (e.LoadEnded(load_id="a", how="stopped"), ""),
        (
            e.LoadEnded(load_id="a", how="signal", planned=False, detail="x\nSIGKILL"),
            "LOAD ENDED EARLY: a: ended by a signal from outside (SIGKILL)",
        ),
        (
            FAULT,
            "WRONG RESULT: load 'memory_patterns' on core 3, step 7: memory word; address 0x10, mask 0x1",
        ),
        (
            e.LoadsOff(reason="time", requested_ns=0, off_ns=200_000_000, reaped_ns=3, loads=1),
            "Loads off 0.20 s after the request",
        ),
        (e.OperatorStopped(signal="SIGINT"), "Stopped by the operator (SIGINT)"),
        (
            e.StorageTrouble(what="sync", error="ENOSPC", lost=2),
            "STORAGE TROUBLE: sync: ENOSPC; the run goes on, 2 lines lost",
        ),
        (e.SamplingTrouble(what="gap", span_s=4.0), "Sampling: gap, 4.0 s"),
        (e.ChannelState(channel="c", quality="missing", reason="gone"), "Sensor c: missing (gone)"),
        (e.SafetyArmed(period_s=0.2, quiet_s=5, note="nothing to watch"), "nothing to watch"),
        (e.SafetyArmed(period_s=0.2, quiet_s=5), ""),
        (e.Preflight(), ""),
        (
            e.Preflight(cannot_judge=(Absence(what="fans", reason="none"),)),
            "Known before the first load not to be judged:\n  - fans: none",
        ),
        (e.Remark(text="x"), ""),
        (
            e.SafetyTripped(why="value", channel="c", value=96.0, limit=95.0, unit="degC"),
            "STOPPED FOR SAFETY: c: 96.0 degC, loads stop at 95.0 degC",
        ),
    ],
)
def test_every_event_in_one_plain_line(event, text) -> None:
    assert event_text(event) == text


def test_trips_and_faults_in_plain_words() -> None:
    assert (
        trip_text(e.SafetyTripped(why="quiet", channel="c", detail="no value for 6 s"))
        == "c: no value for 6 s"
    )
    assert "the safety watch" in trip_text(e.SafetyTripped(why="watch_lost", detail="gone"))
    assert "stands still" in trip_text(e.SafetyTripped(why="pump", channel="p", value=0.0, limit=0.0))
    assert "rose by 6.0 degC" in trip_text(
        e.SafetyTripped(why="rise", channel="p", value=6.0, limit=5.0, unit="degC")
    )
    assert (
        fault_text(e.FaultFound(load_id="a", load="x", stage=0, fault="rate_implausible"))
        == "rate implausible"
    )


def test_lines_come_now_and_then(capsys) -> None:
    view = LineView(every_s=10.0)
    view.event(e.StageStarted(index=1, name="soak"), 19.0)
    view.event(e.Remark(text="x"), 19.0)
    view.snapshot(snapshot())
    view.snapshot(snapshot(elapsed_s=25.0))
    view.snapshot(snapshot(elapsed_s=31.0, faults=2, trips={}))
    view.snapshot(snapshot(elapsed_s=99.0, state="over"))
    view.close()
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "[0:19] Stage 2, soak: begins",
        (
            "[0:20] stage 2 of 5, soak, running; 1:01 left in the stage, 1:01:40 in all; "
            "CPU package 71.5 degC (23.5 below the stop); matrix 22 products; no wrong result"
        ),
        "[0:31] stage 2 of 5, soak, running; 1:01 left in the stage, 1:01:40 in all; matrix 22 products; 2 WRONG RESULTS",
    ]


def screen(width: int, height: int, shown: Snapshot) -> list[str]:
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True, color_system=None)
    view = LiveView(console)
    view.event(e.StageStarted(index=1, name="soak"), 19.0)
    view.event(e.Preflight(cannot_judge=(Absence(what="fans", reason="none"),)), 19.0)
    for _ in range(30):
        view.snapshot(shown)
    page = Console(file=io.StringIO(), width=width, height=height, color_system=None)
    page.print(view.page(shown))
    view.close()
    return page.file.getvalue().splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 24), (200, 50)])
def test_the_screen_fits_and_puts_the_smallest_margin_first(width, height) -> None:
    channels = tuple(
        Channel(id=f"t{n}", source="s", quantity="temperature", label=f"Sensor {n}", role="board")
        for n in range(60)
    )
    shown = snapshot(
        channels=(*channels, CPU), values=(*[40.0] * 60, 71.5), trips={"c": 95.0, "t3": 50.0, "t4": 200.0}
    )
    lines = screen(width, height, shown)
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)
    text = "\n".join(lines)
    assert text.index("Sensor 3 ") < text.index("CPU package") < text.index("Sensor 4 ")
    assert "Stage 2 of 5: soak (running)" in text
    assert "no wrong result so far" in text


def test_wrong_results_stand_out_and_missing_values_are_said() -> None:
    text = "\n".join(screen(100, 30, snapshot(faults=3)))
    assert "3 WRONG RESULTS" in text
    assert "no value" in text
    text = "\n".join(screen(100, 30, snapshot(loads=snapshot().loads[:1], values=(1200.0, None, 5.0))))
    assert "all" not in text.split("Load")[1]


def test_a_history_shows_gaps_as_blanks() -> None:
    from collections import deque

    assert history_text(deque([None, None])) == ""
    assert history_text(deque([1.0, None, 9.0])) == "▁ █"
    assert history_text(deque([4.0, 4.0])) == "▁▁"


def test_a_terminal_that_is_gone_is_drawn_to_no_more() -> None:
    class Gone(io.StringIO):
        gone = False

        def write(self, text):
            if self.gone:
                raise OSError(5, "gone")
            return len(text)

    file = Gone()
    view = LiveView(Console(file=file, width=80, height=24, force_terminal=True))
    file.gone = True
    view.snapshot(snapshot())
    view.snapshot(snapshot())
    view.close()


def test_long_lines_are_broken_between_words_on_a_terminal_only(monkeypatch) -> None:
    import sys

    from burnin.cli import screen

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("COLUMNS", "20")
    text = "  one two three four five /a/path/that/is/longer/than/the/screen"
    shown = Terminal()
    monkeypatch.setattr(sys, "stdout", shown)
    screen.say(text)
    screen.say("short")
    assert shown.getvalue().splitlines() == [
        "  one two three four",
        "    five",
        "    /a/path/that/is/longer/than/the/screen",
        "short",
    ]
    piped = io.StringIO()
    screen.say(text, stream=piped)
    assert piped.getvalue() == text + "\n"
