from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from burnin.report.result import build_result

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs/schema/result.schema.json").read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", ["accepted", "rejected", "bare", "waived"])
def test_result_fits_its_schema(name, request):
    data = json.loads(build_result(*request.getfixturevalue(name)))
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.Draft202012Validator(SCHEMA).validate(data)


def test_the_schema_names_every_key_and_would_notice_a_new_one(accepted):
    data = json.loads(build_result(*accepted))
    assert set(SCHEMA["required"]) == set(data)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(SCHEMA).validate({**data, "surprise": 1})


def test_result_says_what_the_run_says(rejected):
    view, findings, verdict = rejected
    data = json.loads(build_result(view, findings, verdict))
    assert data["verdict"]["standing"] == "rejected"
    assert data["verdict"]["exit_code"] == 1
    assert data["faults"]["count"] == 2
    assert data["faults"]["first"][0]["values"]["found"] == "0xaaaaaaaa2aaaaaaa"
    assert data["began"] == "2026-05-28 22:26:40 +02:00"
    assert [finding["observed"] for finding in data["findings"]] == [finding.observed for finding in findings]
    assert data["order"] == {
        "order": "2026-0417",
        "customer": "K-2203",
        "serial": "LH-000417",
        "machine": "Tisch-PC Kranich",
    }
    assert sum(item["steps"] for item in data["work"]) == sum(
        entry.event.steps for entry in view.entries if type(entry.event).__name__ == "LoadEnded"
    )


def test_no_order_is_null_and_waivers_are_listed(bare, waived):
    assert json.loads(build_result(*bare))["order"] is None
    assert json.loads(build_result(*bare))["beyond_ratings"] is None
    assert json.loads(build_result(*waived))["verdict"]["waivers"][0]["by"] == "R. Beispiel"
