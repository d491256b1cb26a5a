"""Write docs/schema/inspect.schema.json anew from the records: ``python tests/cli/renew_schemas.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec

from burnin.records import codec
from burnin.records.channels import Absence, Channel
from burnin.records.findings import Finding
from burnin.records.inventory import Inventory

TARGET = Path(__file__).parents[2] / "docs" / "schema" / "inspect.schema.json"


def inspect_schema() -> dict[str, Any]:
    """Return the schema of what ``burnin inspect --json`` prints."""
    kinds = [Inventory, Channel, Absence, Finding]
    (inventory, channel, absence, finding), parts = msgspec.json.schema_components(
        kinds, ref_template="#/$defs/{name}"
    )
    told = {"properties": {"sentence": {"type": "string", "minLength": 1}}, "required": ["sentence"]}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Output of burnin inspect --json",
        "description": "A field that is not there has its default; docs/json.md tells the rest.",
        "type": "object",
        "properties": {
            "inventory": inventory,
            "channels": {"type": "array", "items": channel},
            "absent": {"type": "array", "items": absence},
            "checklist": {"type": ["string", "null"], "description": "Name of the checklist."},
            "findings": {"type": "array", "items": {"allOf": [finding, told]}},
        },
        "required": ["inventory", "channels", "absent", "checklist", "findings"],
        "additionalProperties": False,
        "$defs": parts,
    }


if __name__ == "__main__":
    TARGET.write_bytes(codec.to_pretty_json(inspect_schema()))
