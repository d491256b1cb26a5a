"""What ``compare``, ``ledger show`` and ``tune show`` print with ``--json``, against the published schemas.

The schemas are made from the records: ``python tests/cli/test_workshop_schemas.py`` writes them anew.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ledger"))
import invented_runs

from burnin.cli.main import main
from burnin.ledger.rows import FigureRow, FindingRow, PartRow, RunRow
from burnin.records import codec
from burnin.review.ladder import Setting, Trial
from burnin.review.machine_changes import MachineChange
from burnin.review.run_comparison import FigureComparison, OutcomeChange

SCHEMAS = Path(__file__).parents[2] / "docs" / "schema"
TEXT, NUMBER, FLAG = {"type": "string"}, {"type": "number"}, {"type": "boolean"}
TEXTS = {"type": "array", "items": TEXT}


def _schema(title: str, kinds: dict[str, type], fields: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of an object whose lists hold records with all their fields."""
    listed, parts = msgspec.json.schema_components(list(kinds.values()), ref_template="#/$defs/{name}")
    for part in parts.values():
        if "properties" in part:
            part["required"] = sorted(part["properties"])
            part["additionalProperties"] = False
    lists = {name: {"type": "array", "items": item} for name, item in zip(kinds, listed, strict=True)}
    properties = {**lists, **fields}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Output of {title} --json",
        "type": "object",
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": False,
        "$defs": parts,
    }


def _closed(names: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "properties": names, "required": sorted(names), "additionalProperties": False}


def schemas() -> dict[str, dict[str, Any]]:
    run = {key: {} for key in (name for name in RunRow.__struct_fields__ if name != "words")}
    maybe = {"type": ["integer", "null"]}
    rung = {
        key: {}
        for key in (
            "rung",
            "settings",
            "note",
            "standing",
            "because",
            "hours",
            "faults",
            "runs",
            "hours_left",
        )
    }
    plan = dict.fromkeys(
        (
            "good_per_h",
            "bad_per_h",
            "nominal_risk",
            "true_risk_of_rejecting_good",
            "true_risk_of_accepting_bad",
            "hours_without_a_fault",
        ),
        NUMBER,
    )
    frontier = {
        key: {} for key in ("rung", "rate", "rate_unit", "temp", "temp_unit", "power_w", "on_frontier")
    }
    proposal = {
        "rung": maybe,
        "reason": TEXT,
        "last_proven": maybe,
        "first_failed": maybe,
        "margins": {"type": "array"},
    }
    setting = msgspec.json.schema_components([Setting], ref_template="#/$defs/{name}")[1]["Setting"]
    rung["settings"] = {"type": "array", "items": setting}
    return {
        "compare": _schema(
            "burnin compare",
            {"machine": MachineChange, "figures": FigureComparison, "outcomes": OutcomeChange},
            {
                "overall": {"enum": ["differs", "same", "not_comparable"]},
                "exit_code": {"enum": [0, 1, 3]},
                "summary": TEXTS,
                "before": TEXT,
                "after": TEXT,
                "baseline_runs": {"type": "integer", "minimum": 1},
                "plans_differ": TEXTS,
                "page": {"type": ["string", "null"]},
            },
        ),
        "ledger-show": _schema(
            "burnin ledger show",
            {"parts": PartRow, "figures": FigureRow, "findings": FindingRow},
            {"run": _closed(run)},
        ),
        "tune-show": _schema(
            "burnin tune show",
            {"trials": Trial},
            {
                "ladder": TEXT,
                "margin_rungs": {"type": "integer"},
                "sequential_plan": _closed(plan),
                "rungs": {"type": "array", "items": _closed(rung)},
                "frontier": {"type": "array", "items": _closed(frontier)},
                "proposal": _closed(proposal),
                "torn_line_left_out": FLAG,
            },
        ),
    }


@pytest.mark.parametrize("name", sorted(schemas()))
def test_the_published_schema_is_the_one_of_the_records_and_notices_a_slip(name):
    published = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    assert published == json.loads(json.dumps(schemas()[name]))
    jsonschema.Draft202012Validator.check_schema(published)
    for data in ({}, {"surprise": 1}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft202012Validator(published).validate(data)


def _checked(capsys, name, *words, code):
    assert main([*map(str, words), "--json"]) == code
    data = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schemas()[name]).validate(data)
    return data


def test_real_output_fits(capsys, tmp_path):
    for number in (1, 4, 5, 6):
        invented_runs.write_journal(invented_runs.builder(number, machine=1), tmp_path / f"{number}")
    more = ["--repeatability", tmp_path / "5", tmp_path / "6"]
    assert _checked(capsys, "compare", "compare", tmp_path / "1", tmp_path / "4", *more, code=0)["figures"]
    assert _checked(capsys, "compare", "compare", tmp_path / "1", tmp_path / "4", code=3)["figures"]
    assert main(["ledger", "import", str(tmp_path / "1")]) == 0
    capsys.readouterr()
    assert _checked(capsys, "ledger-show", "ledger", "show", "2026-000001", code=0)["parts"]
    for words in (["new", "otter"], ["add", "otter", "multiplier=50:x"]):
        assert main(["tune", *words]) == 0
    capsys.readouterr()
    assert _checked(capsys, "tune-show", "tune", "show", "otter", code=0)["rungs"]


if __name__ == "__main__":
    for _name, _value in schemas().items():
        (SCHEMAS / f"{_name}.schema.json").write_bytes(codec.to_pretty_json(_value))
