"""Readings as CSV and findings as JUnit XML through the command line."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from xml.etree import ElementTree as ET

import jsonschema

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "export.schema.json"


def test_readings_go_to_standard_output_without_a_file(cli, plain_run) -> None:
    code, out, _ = cli("export", plain_run)
    rows = list(csv.reader(io.StringIO(out)))
    assert code == 0
    assert rows[0][1] == "hwmon/chip/temp1 (CPU package) [degC]"
    assert [float(row[1]) for row in rows[1:]] == [60.0 + step / 10 for step in range(30)]


def test_both_files_and_json(cli, plain_run, tmp_path) -> None:
    code, out, _ = cli(
        "export",
        plain_run / "journal.jsonl",
        "--out",
        tmp_path / "r.csv",
        "--junit",
        tmp_path / "f.xml",
        "--json",
    )
    told = json.loads(out)
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(told)
    assert (code, told["sweeps"]) == (0, 30)
    assert (tmp_path / "r.csv").read_bytes() == cli("export", plain_run)[1].replace("\n", "\r\n").replace(
        "\r\r\n", "\r\n"
    ).encode()
    suite = ET.parse(tmp_path / "f.xml").getroot().find("testsuite")
    assert int(suite.get("tests")) == len(suite.findall("testcase")) > 5
    assert cli("export", plain_run, "--junit", tmp_path / "g.xml")[1] == f"{tmp_path / 'g.xml'}\n"


def test_what_cannot_be_written_or_printed(cli, plain_run, tmp_path) -> None:
    code, out, err = cli("export", plain_run, "--json")
    assert (code, out, "expected --out FILE" in err) == (2, "", True)
    code, _, err = cli("export", plain_run, "--out", tmp_path / "none" / "r.csv")
    assert (code, "no such file" in err) == (2, True)
    assert cli("export", tmp_path / "none")[0] == 2
