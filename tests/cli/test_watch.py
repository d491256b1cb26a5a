"""A run followed from its growing journal: the same words as in the run's own terminal, until it ends or is cut off."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from told_runs import CHANNEL, told, written

from burnin.cli import watch as module
from burnin.cli.following import GrowingJournal, Standing, is_written
from burnin.cli.views import LineView
from burnin.cli.watch import follow, newest
from burnin.errors import InputError
from burnin.journal.files import RealFiles
from burnin.records.events import (
    LoadEnded,
    RunClosed,
    StageEnded,
    StageOpening,
    StageStarted,
    Sweep,
    WorkDone,
)

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "watch.schema.json"


class Growing:
    """A clock that lets the journal grow while it is waited on."""

    def __init__(self, path: Path, pieces: list[bytes]) -> None:
        self._path, self._pieces, self.now_ns = path, pieces, 0

    def mono_ns(self) -> int:
        return self.now_ns

    def sleep_until(self, mono_ns: int) -> None:
        self.now_ns = mono_ns
        if self._pieces:
            with self._path.open("ab") as file:
                file.write(self._pieces.pop(0))


class Locks(RealFiles):
    """Folders that a process is writing, or nobody."""

    def __init__(self, *, held: bool) -> None:
        super().__init__()
        self.held = held

    def lock(self, folder):
        return None if self.held else (lambda: None)


class Watcher:
    def __init__(self) -> None:
        self.events, self.snapshots = [], []

    def event(self, event, elapsed_s) -> None:
        self.events.append(event)

    def snapshot(self, snapshot) -> None:
        self.snapshots.append(snapshot)


def grow(tmp_path, run, cuts=7):
    data = (written(run, tmp_path / "made") / "journal.jsonl").read_bytes()
    folder = tmp_path / "followed"
    folder.mkdir()
    step = max(1, len(data) // cuts)
    pieces = [data[at : at + step] for at in range(0, len(data), step)]
    (folder / "journal.jsonl").write_bytes(pieces[0])
    return folder, Growing(folder / "journal.jsonl", pieces[1:])


@pytest.mark.parametrize("cuts", [1, 7, 60])
def test_however_the_journal_grows_every_line_is_seen_once(tmp_path, cuts) -> None:
    folder, clock = grow(tmp_path, told(faults=2), cuts)
    watcher, standing = Watcher(), Standing()
    assert follow(folder, watcher, standing, (clock, Locks(held=True))) == "over"
    whole = [line.event for line in told(faults=2).lines]
    assert [type(event) for event in watcher.events] == [
        type(each) for each in whole if not isinstance(each, Sweep)
    ]
    last = watcher.snapshots[-1]
    assert (last.faults, last.state, last.stage, last.stages, last.stage_name) == (
        2,
        "over",
        1,
        1,
        "processor",
    )
    assert last.values == (62.9,)
    assert last.trips == {CHANNEL.id: 95.0}
    assert (last.stage_left_s, last.run_left_s) == (0.0, 0.0)
    assert last.elapsed_s == pytest.approx(30.0)
    running = [each for each in watcher.snapshots if each.state == "running"]
    assert cuts == 1 or running[-1].values[0] is not None
    (load,) = last.loads
    assert (load.load, load.core, load.unit, load.faults, load.state) == (
        "matrix",
        0,
        "products",
        2,
        "stopped",
    )
    assert load.amount == pytest.approx(120.0)


def test_time_left_is_taken_from_the_plan(tmp_path) -> None:
    standing = Standing()
    assert standing.snapshot() is None
    for line in told(closed=False, sweeps=10).lines:
        standing.take(line)
    now = standing.snapshot()
    assert (now.stage_left_s, now.run_left_s, now.state) == (
        pytest.approx(20.0),
        pytest.approx(20.0),
        "running",
    )


def test_stages_open_run_and_stop() -> None:
    run = told(closed=False, sweeps=1)
    standing = Standing()
    run.add(StageEnded(index=0, name="processor", reason="time"), StageOpening(index=5, name="unplanned"))
    run.add(LoadEnded(load_id="of an earlier stage", how="stopped"))
    run.add(Sweep(v=(None,), bad=(), w=(WorkDone(load_id="unknown", steps=1, amount=1.0, digest="0"),)))
    states = []
    for line in run.lines:
        standing.take(line)
        states.append(standing.snapshot().state)
    assert {"running", "stopping", "opening"} <= set(states)
    now = standing.snapshot()
    assert (now.loads, now.values, now.stage_name, now.run_left_s) == (
        (),
        (None,),
        "before the first stage",
        0.0,
    )
    run.add(StageStarted(index=0, name="processor"), Sweep(v=(99.0,), bad=(0,)), Sweep(v=()))
    for line in run.lines[-3:]:
        standing.take(line)
    assert standing.snapshot().values == (None,)


def test_a_run_nobody_writes_any_more_was_cut_off(tmp_path) -> None:
    folder, clock = grow(tmp_path, told(closed=False))
    assert follow(folder, Watcher(), Standing(), (clock, Locks(held=False))) == "cut_off"


def test_a_line_that_is_bad_ends_the_watching(tmp_path) -> None:
    folder, clock = grow(tmp_path, told(), cuts=1)
    path = folder / "journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"[61]", b"[91]"))
    assert follow(folder, Watcher(), Standing(), (clock, Locks(held=True))) == "damaged"
    journal = GrowingJournal(path)
    good = journal.new_lines()
    assert good
    assert journal.new_lines() == []


def test_plain_lines_when_piped(cli, plain_run) -> None:
    code, out, _ = cli("watch", plain_run)
    assert code == 0
    assert "Stage 1, processor: begins" in out
    assert out.splitlines()[-1].startswith("The run is over")
    assert "\x1b" not in out
    assert cli("watch", plain_run / "journal.jsonl")[0] == 0


def test_json_at_the_end(cli, plain_run) -> None:
    code, out, err = cli("watch", plain_run, "--json")
    data = json.loads(out)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(data)
    assert (code, data["end"], data["reason"], data["run_id"]) == (0, "over", "complete", "built-run")
    assert "Stage 1" in err


def test_a_terminal_gets_the_screen(cli, plain_run, monkeypatch) -> None:
    monkeypatch.setattr(module, "is_terminal", lambda: True)
    assert cli("watch", plain_run)[0] == 0


def test_ctrl_c_ends_the_watching_only(cli, tmp_path, monkeypatch) -> None:
    folder = written(told(closed=False), tmp_path / "run")

    def interrupt(*arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "follow", interrupt)
    code, out, _ = cli("watch", folder)
    assert (code, out) == (0, "Watching ended; the run goes on.\n")
    data = json.loads(cli("watch", folder, "--json")[1])
    assert (data["end"], data["run_id"], data["reason"]) == ("left", "", "")


def test_a_cut_off_run_has_its_exit_code(cli, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(module, "_QUIET_NS", -1)
    folder = written(told(closed=False), tmp_path / "run")
    code, out, _ = cli("watch", folder)
    assert (code, "burnin recover" in out) == (3, True)


def test_the_newest_run_that_is_going_on(cli, tmp_path) -> None:
    runs = tmp_path / "runs"
    for name in ("a", "b", "c"):
        written(told(), runs / name)
    (runs / "d").mkdir()
    files = RealFiles()
    release = files.lock(runs / "b")
    try:
        assert newest(runs, RealFiles()) == runs / "b"
        assert cli("watch", "--out", runs)[0] == 0
    finally:
        release()
    assert not is_written(runs / "b", files)
    with pytest.raises(InputError, match="no run that is going on"):
        newest(runs, files)
    assert cli("watch", "--out", tmp_path / "none")[0] == 2
    code, _, err = cli("watch", runs / "d")
    assert (code, "expected a run's folder" in err) == (2, True)


def test_the_views_take_what_the_journal_tells(tmp_path, capsys) -> None:
    from rich.console import Console

    from burnin.cli.live import LiveView

    folder, clock = grow(tmp_path, told(faults=1))
    console = Console(width=80, height=24, force_terminal=False)
    view = LiveView(console)
    standing = Standing()
    assert follow(folder, view, standing, (clock, Locks(held=True))) == "over"
    view.close()
    console.print(view.page(standing.snapshot()))
    shown = capsys.readouterr().out
    page = shown[shown.index("Stage 1 of 1") :].splitlines()
    assert len(page) <= 24
    assert max(map(len, page)) <= 80
    assert isinstance(standing.closed, RunClosed)
    LineView(0.0).snapshot(standing.snapshot())
