from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from burnin.cli import main as main_module
from burnin.cli import paperwork
from burnin.errors import InputError

MACHINES = Path(__file__).parents[1] / "fixtures" / "machines"


def test_help_and_version_and_nothing(cli, capsys) -> None:
    assert cli("--version")[0] == 0
    code, out, _ = cli()
    assert code == 2
    assert "accept" in out
    with pytest.raises(SystemExit) as left:
        cli("--help")
    assert left.value.code == 0


@pytest.mark.parametrize(
    "arguments",
    [
        ("nosuch",),
        ("accept", "--nosuch"),
        ("accept", "--seed", "x"),
        ("accept", "--seed", "-1"),
        ("frames",),
        ("frames", "log", "--unit", "weeks"),
    ],
)
def test_a_wrong_command_line_is_one_clear_error(cli, capsys, arguments) -> None:
    with pytest.raises(SystemExit) as left:
        cli(*arguments)
    assert left.value.code == 2
    error = capsys.readouterr().err
    assert error.startswith("burnin: ")
    assert "What to do:" in error
    assert "Traceback" not in error


def test_help_is_quick_because_it_loads_little() -> None:
    code = (
        "import sys; from burnin.cli.main import build_parser; build_parser().format_help();"
        "print([m for m in ('numpy', 'rich', 'jinja2', 'psutil', 'msgspec') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_catalog_lists_everything(cli) -> None:
    code, out, _ = cli("catalog", "--json")
    listing = json.loads(out)
    assert code == 0
    assert set(listing) == {"loads", "sources", "probes", "criteria", "plans", "checklists"}
    assert {"matrix", "digest", "memory_patterns"} <= {row["name"] for row in listing["loads"]}
    assert {"first-look", "one-hour", "one-night"} <= {row["name"] for row in listing["plans"]}
    assert not [row for rows in listing.values() for row in rows if row.get("broken")]
    _, text, _ = cli("catalog")
    assert "first-generation-tethered" in text


def test_broken_things_are_listed_with_their_reason(cli, monkeypatch) -> None:
    from burnin.cli import catalog as module
    from burnin.plugin.discovery import Found

    broken = Found(room="loads", name="bent", plugin=None, broken="it is bent")
    monkeypatch.setattr(module, "everything", lambda: (broken,))
    _, out, _ = cli("catalog")
    assert "CANNOT BE USED: it is bent" in out
    assert "unknown name 'matrix'" in out

    def refuse(name):
        raise InputError("torn page", slug="x")

    monkeypatch.setattr(module, "load_checklist", refuse)
    listing = json.loads(cli("catalog", "--json")[1])
    assert {row["broken"] for row in listing["checklists"]} == {"torn page"}


def test_inspect_shows_this_machine_and_its_gaps(cli) -> None:
    code, out, _ = cli("inspect")
    assert code in {0, 1, 3}
    assert "The machine as found (read from: this machine)" in out
    assert "Checklist: First-generation tethered headset" in out


def test_inspect_with_answers_order_and_json(cli, tmp_path) -> None:
    order = tmp_path / "order.toml"
    order.write_text('format = 1\norder = "A-17"\n')
    sheet = tmp_path / "made.toml"
    code, out, err = cli(
        "inspect", "--json", "--order", order, "--answer", "video=yes:picture seen", "--write-order", sheet
    )
    told = json.loads(out)
    assert code in {0, 1, 3}
    assert told["checklist"] == "first-generation-tethered"
    video = next(each for each in told["findings"] if each.get("subject") == "video")
    assert video["outcome"] in {"pass", "fail"}
    assert "Order sheet written" in err
    assert cli("inspect", "--order", sheet)[0] in {0, 1, 3}


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ("nosuch=yes", "found no checklist line 'nosuch'"),
        ("usb=maybe", "expected yes or no"),
        ("usb", "expected yes or no"),
    ],
)
def test_answers_that_answer_nothing(cli, answer, told) -> None:
    code, _, err = cli("inspect", "--answer", answer)
    assert code == 2
    assert told in err


def test_no_answers_without_a_checklist() -> None:
    import argparse

    with pytest.raises(InputError, match="there is no checklist"):
        paperwork.answers_of(argparse.Namespace(answer=["a=yes"]), None)
    assert paperwork.checklist_of(argparse.Namespace(checklist=None), default=False) is None


def test_a_folder_that_is_no_machine_tree(cli, tmp_path) -> None:
    code, _, err = cli("inspect", "--tree", tmp_path)
    assert code == 2
    assert "expected a recorded machine tree" in err


def test_accept_refuses_without_an_answer_to_the_cautions(cli, short_plan, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    code, out, err = cli("accept", "--plan", short_plan, "--out", tmp_path / "runs")
    assert code == 2
    assert "Never leave a first soak unattended" in out
    assert "--yes" in err
    assert not (tmp_path / "runs").exists()


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_cautions_are_asked_once_per_workshop(cli, monkeypatch, own_home) -> None:
    import argparse

    from burnin.records.paperwork import Workshop

    options = argparse.Namespace(yes=False)
    monkeypatch.setattr(sys, "stdin", Terminal("no\n"))
    with pytest.raises(InputError, match="not accepted"):
        paperwork.answer_cautions(options, Workshop(name="A"))
    monkeypatch.setattr(sys, "stdin", Terminal("Yes\n"))
    assert paperwork.answer_cautions(options, Workshop(name="A")).how == "asked"
    assert paperwork.answer_cautions(options, Workshop(name="A")).how == "remembered"
    monkeypatch.setattr(sys, "stdin", Terminal("yes\n"))
    assert paperwork.answer_cautions(options, Workshop(name="B")).how == "asked"
    assert paperwork.answer_cautions(options, Workshop(name="A")).how == "remembered"


def test_an_answer_that_cannot_be_kept_is_no_obstacle(cli, monkeypatch, own_home, capsys) -> None:
    import argparse

    from burnin.records.paperwork import Workshop

    (own_home / "config").write_text("a file, not a folder")
    monkeypatch.setattr(sys, "stdin", Terminal("yes\n"))
    assert paperwork.answer_cautions(argparse.Namespace(yes=False), Workshop()).how == "asked"
    assert "asked again" in capsys.readouterr().out


def test_the_workshop_comes_from_the_option_or_the_users_settings(own_home, tmp_path) -> None:
    import argparse

    options = argparse.Namespace(workshop=None)
    assert paperwork.workshop_of(options).name == ""
    settings = own_home / "config" / "burnin"
    settings.mkdir(parents=True)
    (settings / "workshop.toml").write_text('name = "Own Works"\n')
    assert paperwork.workshop_of(options).name == "Own Works"
    other = tmp_path / "w.toml"
    other.write_text('name = "Other Works"\n')
    assert paperwork.workshop_of(argparse.Namespace(workshop=str(other))).name == "Other Works"


@pytest.mark.processes
def test_accept_leaves_journal_certificate_and_result(run_folder) -> None:
    assert {"journal.jsonl", "certificate.html", "result.json"} <= {
        path.name for path in run_folder.iterdir()
    }
    result = json.loads((run_folder / "result.json").read_text())
    assert result["verdict"]["standing"] == "inconclusive"
    assert result["verdict"]["exit_code"] == 3


@pytest.mark.processes
def test_accept_in_this_process_with_json(cli, short_plan, tmp_path) -> None:
    code, out, err = cli(
        "accept", "--plan", short_plan, "--out", tmp_path / "r", "--yes", "--json", "--seed", "5"
    )
    told = json.loads(out)
    assert code == told["exit_code"] == 3
    assert told["standing"] == "inconclusive"
    assert Path(told["folder"]).is_dir()
    assert "Stage 2, products: begins" in err


def test_accept_with_bad_paper_is_refused_before_anything_runs(cli, tmp_path, short_plan) -> None:
    for option, file in (
        ("--order", "o.toml"),
        ("--checklist", "c.toml"),
        ("--workshop", "w.toml"),
        ("--plan", "p.toml"),
    ):
        code, _, err = cli("accept", "--plan", short_plan, "--yes", option, tmp_path / file)
        assert (code, file in err) == (2, True)
    assert cli("accept", "--plan", "nosuch", "--yes")[0] == 2


@pytest.mark.processes
def test_certify_gives_the_same_bytes_from_a_copy_anywhere(cli, run_folder, tmp_path, monkeypatch) -> None:
    copy = tmp_path / "elsewhere" / "journal.jsonl"
    copy.parent.mkdir()
    shutil.copy(run_folder / "journal.jsonl", copy)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    assert cli("certify", copy)[0] == 0
    for name in ("certificate.html", "result.json"):
        assert (copy.parent / name).read_bytes() == (run_folder / name).read_bytes()
    code, out, _ = cli("certify", copy.parent, "--out", tmp_path / "third", "--json")
    assert (code, json.loads(out)["standing"]) == (0, "inconclusive")
    assert (tmp_path / "third" / "certificate.html").read_bytes() == (
        run_folder / "certificate.html"
    ).read_bytes()


@pytest.mark.processes
def test_certify_into_a_place_that_cannot_be(cli, run_folder, tmp_path, monkeypatch) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("x")
    assert "--out" in cli("certify", run_folder, "--out", blocked)[2]
    from burnin.cli import outcome

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outcome.os, "fsync", full)
    code, _, err = cli("certify", run_folder, "--out", tmp_path / "full")
    assert (code, "no space left" in err) == (2, True)
    assert list((tmp_path / "full").iterdir()) == []


@pytest.mark.parametrize("command", ["certify", "verify"])
def test_a_run_that_is_not_there(cli, command, tmp_path) -> None:
    code, _, err = cli(command, tmp_path / "none")
    assert code == 2
    assert "burnin: " in err
    (tmp_path / "journal.jsonl").write_bytes(b"\x00\x01 not a journal\n")
    assert cli(command, tmp_path / "journal.jsonl")[0] == 2


@pytest.mark.processes
def test_verify_finds_what_was_changed(cli, run_folder, tmp_path) -> None:
    folder = tmp_path / "run"
    shutil.copytree(run_folder, folder)
    code, out, _ = cli("verify", folder)
    assert (code, "follow from it" in out) == (0, True)
    assert cli("verify", folder / "certificate.html")[0] == 0
    page = (folder / "certificate.html").read_bytes()
    (folder / "certificate.html").write_bytes(page.replace(b"no fault seen", b"no fault here", 1))
    code, out, _ = cli("verify", folder / "certificate.html")
    assert (code, "DIFFERS: certificate.html: line" in out) == (1, True)
    told = json.loads(cli("verify", folder, "--json")[1])
    assert (told["same"], told["signature"], told["basis"]) == (False, "none", "journal")
    journal = (folder / "journal.jsonl").read_bytes()
    (folder / "journal.jsonl").write_bytes(journal[:-40])
    code, out, _ = cli("verify", folder / "journal.jsonl")
    assert (code, "DIFFERS: journal" in out) == (1, True)
    assert "not there" in cli("verify", folder / "nothing.html")[2]


@pytest.mark.processes
def test_recover_closes_a_run_that_was_cut_off(cli, run_folder, tmp_path) -> None:
    runs = tmp_path / "runs"
    folder = runs / run_folder.name
    folder.mkdir(parents=True)
    whole = (run_folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    started = next(n for n, line in enumerate(whole) if b'"stage_started"' in line and b"products" in line)
    (folder / "journal.jsonl").write_bytes(b"".join(whole[: started + 2]) + whole[started + 2][:30])
    code, out, _ = cli("recover", "--out", runs)
    assert code == 0
    assert "closed. Inconclusive" in out  # the same boot: the harness went, the machine did not
    assert "bytes of a torn last line" in out
    assert (folder / "certificate.html").exists()
    told = json.loads(cli("recover", "--out", runs, "--json")[1])
    assert told == {"closed": []}
    assert "No run was left open" in cli("recover", "--out", runs)[1]
    assert cli("recover", "--out", tmp_path / "none")[0] == 2


@pytest.mark.processes
def test_accept_tells_of_runs_cut_off_earlier(run_folder, tmp_path, capsys) -> None:
    from burnin.cli.recover import tell_unfinished

    folder = tmp_path / "runs" / "cut"
    folder.mkdir(parents=True)
    whole = (run_folder / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "journal.jsonl").write_bytes(b"".join(whole[:4]))
    tell_unfinished(tmp_path / "runs")
    assert "burnin recover" in capsys.readouterr().out
    tell_unfinished(tmp_path / "nowhere")
    assert capsys.readouterr().out == ""


def frame_log(path: Path, slow_every: int = 0) -> Path:
    times = [22.2 if slow_every and n % slow_every == 0 else 11.1 for n in range(1, 2000)]
    path.write_text("frame_ms,latency_ms\n" + "".join(f"{each},12.5\n" for each in times))
    return path


def test_frames_judges_a_log(cli, tmp_path) -> None:
    good = frame_log(tmp_path / "good.csv")
    code, out, _ = cli("frames", good, "--refresh", "90")
    assert code == 0
    assert "Pacing holds" in out
    code, out, _ = cli(
        "frames", frame_log(tmp_path / "bad.csv", 3), "--checklist", "first-generation-tethered", "--json"
    )
    told = json.loads(out)
    assert code == 1
    assert {"frames", "late_frames", "missed_in_a_row", "average_fps", "p99_ms"} <= set(told)
    assert told["frames"] == 1999
    assert told["late_frames"] == 666
    assert cli("frames", tmp_path / "bad.csv", "--refresh", "90")[0] == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("good.csv",), "neither --refresh nor --checklist"),
        (("good.csv", "--refresh", "0"), "from 1 to 1000 Hz"),
        (("none.csv", "--refresh", "90"), "expected a frame-time log"),
        (("words.csv", "--refresh", "90"), "words.csv"),
        (("good.csv", "--checklist", "rateless.toml"), "states no refresh_hz"),
    ],
)
def test_frames_says_what_it_needs(cli, tmp_path, monkeypatch, arguments, told) -> None:
    monkeypatch.chdir(tmp_path)
    frame_log(tmp_path / "good.csv")
    (tmp_path / "words.csv").write_text("one\ntwo\nthree\n")
    (tmp_path / "rateless.toml").write_text(
        'format = 1\ntitle = "t"\n[[lines]]\nid = "a"\nkind = "look"\ntext = "t"\n'
    )
    code, _, err = cli("frames", *arguments)
    assert code == 2
    assert told in err


def test_an_error_nobody_expected_from_the_pipe_or_the_keyboard(monkeypatch, capsys) -> None:
    def raiser(error):
        def dispatch(options):
            raise error

        return dispatch

    monkeypatch.setattr(main_module, "_dispatch", raiser(BrokenPipeError()))
    assert main_module.main(["catalog"]) == 0
    monkeypatch.setattr(main_module, "_dispatch", raiser(KeyboardInterrupt()))
    assert main_module.main(["catalog"]) == 4


def test_rehearse_is_quick_marked_and_complete(cli, tmp_path) -> None:
    code, out, _ = cli("rehearse", "--out", tmp_path)
    assert code == 0
    folder = Path(out.splitlines()[-1])
    page = (folder / "certificate.html").read_text()
    assert "this certifies nothing" in page
    assert json.loads((folder / "result.json").read_text())["rehearsal"] is True
    assert '"rehearsal":true' in (folder / "journal.jsonl").read_text().splitlines()[0]


def test_a_rehearsed_pump_failure_stops_the_loads_for_safety(cli, tmp_path) -> None:
    code, out, _ = cli("rehearse", "--out", tmp_path, "--pump-fails-at", "400", "--json")
    told = json.loads(out)
    assert code == told["exit_code"] == 5
    from burnin.journal.reader import read_run
    from burnin.records.events import SafetyTripped

    view = read_run(Path(told["folder"]))
    trip = view.first(SafetyTripped)
    hottest = max(
        float(view.good(channel.id).max()) for channel in view.channels if channel.role == "cpu_hottest"
    )
    assert trip.why in {"pump", "value", "rise"}
    assert hottest <= 95.0 + 2.0
    assert cli("rehearse", "--out", tmp_path, "--pump-fails-at", "-5")[0] == 2


def test_output_lost_with_its_terminal_stops_nothing(monkeypatch) -> None:
    from burnin.cli import screen

    class Gone(io.StringIO):
        def write(self, text):
            raise OSError(5, "gone")

        def isatty(self):
            raise ValueError

    monkeypatch.setattr(sys, "stdout", Gone())
    screen.say("into the void")
    assert screen.is_terminal() is False


def test_module_entry_point() -> None:
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run(
        [sys.executable, "-m", "burnin", "--version"], capture_output=True, text=True, env=env, check=True
    )
    assert done.stdout.strip() == "0.1.0"


def test_the_march_table_of_the_page_is_what_the_command_prints(cli):
    code, printed, _ = cli("catalog", "--march")
    assert code == 0
    page = (Path(__file__).parents[2] / "docs" / "march.md").read_text(encoding="utf-8")
    tables = [part.partition("```")[0] for part in page.split("```\ntest ")[1:]]
    assert len(tables) == 2
    assert all(f"test {table}" in printed for table in tables)
    assert "burnin catalog --march" in page
    assert "caches answer" in printed
