"""What ``--json`` prints, on real output of each command, against the published schemas."""

from __future__ import annotations

import argparse
import importlib.util
import json
from pathlib import Path

import jsonschema
import pytest

from burnin.cli.accept import tell_outcome
from burnin.cli.main import main
from burnin.cli.outcome import judge
from burnin.cli.reproduce import tell as tell_reproduced
from burnin.engine.conduct import Conducted
from burnin.engine.reproduce import Reproduced
from burnin.host.clock import RealClock
from burnin.journal.writer import JournalWriter
from burnin.records.channels import Channel
from burnin.records.events import FaultFound
from burnin.records.plan import LoadUse, Plan, Stage
from burnin.testing.machine_tree import parse_tree, write_tree
from burnin.testing.run_builder import RunBuilder

ROOT = Path(__file__).parents[2]
SCHEMAS = ROOT / "docs" / "schema"
COMMANDS = (
    "accept",
    "bundle",
    "catalog",
    "certify",
    "export",
    "frames",
    "inspect",
    "recover",
    "reproduce",
    "seal-key",
    "sockets",
    "verify",
    "watch",
)
SOAK = Stage(name="processor", duration_s=30.0, loads=(LoadUse(load="matrix"),))
CHANNEL = Channel(
    id="hwmon/chip/temp1", source="hwmon", quantity="temperature", label="CPU package", role="cpu_hottest"
)


def schema_of(command: str) -> dict:
    return json.loads((SCHEMAS / f"{command}.schema.json").read_text(encoding="utf-8"))


def checked(command: str, text: str) -> dict:
    assert text.count("\n") == 1, "one object on one line"
    data = json.loads(text)
    jsonschema.Draft202012Validator(schema_of(command)).validate(data)
    return data


def told_run(*, closed: bool) -> RunBuilder:
    run = RunBuilder(Plan(format=1, name="short", title="Short", stages=(SOAK,))).machine([CHANNEL])
    run.stage(0, SOAK.name).load("1.matrix.0", "matrix", stage=0, core=0)
    run.sweeps_at([[60.0 + step / 10] for step in range(30)], work={"1.matrix.0": 4.0})
    return run.end_load("1.matrix.0").end_stage(0, SOAK.name).close() if closed else run


def written(run: RunBuilder, folder: Path) -> Path:
    folder.mkdir(parents=True)
    writer = JournalWriter(folder, clock=RealClock(), reserve_bytes=4096)
    for line in run.lines:
        writer.append(line.event, mono_ns=line.mono_ns)
    assert writer.close(10.0)
    return folder


@pytest.fixture
def folder(tmp_path):
    return written(told_run(closed=True), tmp_path / "runs" / "built-run")


@pytest.mark.parametrize("command", COMMANDS)
def test_each_schema_is_one(command):
    jsonschema.Draft202012Validator.check_schema(schema_of(command))


@pytest.mark.parametrize("command", COMMANDS)
def test_each_schema_notices_a_key_too_many_and_one_too_few(command):
    schema = schema_of(command)
    assert schema["additionalProperties"] is False
    for data in ({}, {"surprise": 1}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft202012Validator(schema).validate(data)


def test_the_schema_of_inspect_is_the_one_of_the_records():
    spec = importlib.util.spec_from_file_location(
        "renew_schemas", Path(__file__).with_name("renew_schemas.py")
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert schema_of("inspect") == json.loads(json.dumps(module.inspect_schema()))


def test_reproduce(capsys):
    fault = FaultFound(load_id="l", load="matrix", stage=0, core=1, fault="wrong_result", step=7)
    options = argparse.Namespace(json=True)
    assert tell_reproduced(options, Reproduced(faults=[fault], steps={0: 9, None: 8})) == 1
    assert checked("reproduce", capsys.readouterr().out)["count"] == 1


def test_catalog(capsys):
    assert main(["catalog", "--json"]) == 0
    listing = checked("catalog", capsys.readouterr().out)
    assert {"matrix", "memory_patterns"} <= {row["name"] for row in listing["loads"]}
    assert {row["name"] for row in listing["plans"]} >= {"first-look", "one-hour", "one-night"}


def test_march_table(capsys):
    assert main(["catalog", "--march", "--json"]) == 0
    rows = checked("catalog", capsys.readouterr().out)["march"]
    by_name = {(row["test"], row["block"]): row for row in rows}
    assert len(by_name) == 18
    assert by_name["March C-", 1]["CFid"] == "24/24"
    assert by_name["March C-", 3]["CFid"] == "6/24"


@pytest.mark.parametrize("machine", ["desktop-vr", "arm-board", "laptop-2008"])
def test_inspect(capsys, tmp_path, machine):
    text = (ROOT / "tests" / "fixtures" / "machines" / machine / "tree.txt").read_text(encoding="utf-8")
    write_tree(parse_tree(text), tmp_path)
    assert main(["inspect", "--json", "--tree", str(tmp_path)]) in {0, 1, 3}
    told = checked("inspect", capsys.readouterr().out)
    assert told["inventory"]["read_from"] == "recorded tree"
    assert told["checklist"] == "first-generation-tethered"


def test_inspect_judges_every_line_of_the_checklist(capsys, tmp_path):
    text = (ROOT / "tests" / "fixtures" / "machines" / "desktop-vr" / "tree.txt").read_text(encoding="utf-8")
    write_tree(parse_tree(text), tmp_path)
    main(["inspect", "--json", "--tree", str(tmp_path)])
    told = checked("inspect", capsys.readouterr().out)
    lines = {each["subject"] for each in told["findings"] if each["criterion"] == "checklist_lines"}
    assert lines == {"memory", "usb", "video", "system"}


def test_accept(capsys, folder):
    outcome = judge(folder / "journal.jsonl")
    conducted = Conducted(folder=folder, reason="complete", whole=True)
    code = tell_outcome(argparse.Namespace(json=True), conducted, outcome)
    told = checked("accept", capsys.readouterr().out)
    assert (told["exit_code"], told["standing"]) == (code, "inconclusive") == (3, "inconclusive")
    assert told["folder"] == str(folder)


def test_certify_and_verify(capsys, folder):
    assert main(["certify", "--json", str(folder)]) == 0
    made = checked("certify", capsys.readouterr().out)
    assert Path(made["certificate"]).is_file()
    assert main(["verify", "--json", str(folder)]) == 0
    assert checked("verify", capsys.readouterr().out)["trouble"] == []
    result = Path(made["result"])
    result.write_bytes(result.read_bytes().replace(b"inconclusive", b"accepted", 1))
    assert main(["verify", "--json", str(result)]) == 1
    told = checked("verify", capsys.readouterr().out)
    assert told["same"] is False
    assert told["trouble"]


def test_recover(capsys, tmp_path):
    written(told_run(closed=False), tmp_path / "runs" / "built-run")
    assert main(["recover", "--json", "--out", str(tmp_path / "runs")]) == 0
    (row,) = checked("recover", capsys.readouterr().out)["closed"]
    assert row["standing"] in {
        "rejected",
        "inconclusive",
    }  # this machine's log may tell of an orderly shutdown
    assert main(["recover", "--json", "--out", str(tmp_path / "runs")]) == 0
    assert checked("recover", capsys.readouterr().out)["closed"] == []


@pytest.mark.parametrize("latency", [False, True])
def test_frames(capsys, tmp_path, latency):
    rows = [f"{11.11 if step % 50 else 34.0},{20 + step % 3}" for step in range(500)]
    log = tmp_path / "log.csv"
    log.write_text(
        "\n".join(["frame time ms,latency ms" if latency else "frame time ms,cores", *rows]), encoding="utf-8"
    )
    assert main(["frames", "--json", str(log), "--refresh", "90"]) in {0, 1}
    told = checked("frames", capsys.readouterr().out)
    assert told["frames"] == 500
    assert ("latency_ms" in told) is latency


def test_an_error_prints_no_object(capsys, tmp_path):
    assert main(["certify", "--json", str(tmp_path)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("burnin: ")
