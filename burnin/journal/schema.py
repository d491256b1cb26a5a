"""The JSON Schema of a journal line, made from the records themselves; the published copy is held to it by a test."""

from __future__ import annotations

from typing import Any

import msgspec

from burnin.records.events import AnyEvent


def line_schema() -> dict[str, Any]:
    """Return the schema (JSON Schema, draft 2020-12) of one line of a journal."""
    (event,), parts = msgspec.json.schema_components([AnyEvent], ref_template="#/$defs/{name}")
    nanoseconds = {"type": "integer", "minimum": 0, "maximum": 2**63 - 1}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Journal line",
        "description": "One line of journal.jsonl; docs/journal.md tells the rest.",
        "type": "object",
        "properties": {
            "seq": {"type": "integer", "minimum": 0, "description": "Line number, from 0."},
            "t": nanoseconds | {"description": "Monotonic clock of the boot, nanoseconds."},
            "prev": {
                "type": "string",
                "pattern": "^[0-9a-f]{64}$",
                "description": "SHA-256 of the bytes of the line before, without its newline; zeros in line 0.",
            },
            "event": event,
            "crc": {
                "type": "string",
                "pattern": "^[0-9a-f]{8}$",
                "description": "CRC-32 of the line's bytes before the comma in front of this field.",
            },
        },
        "required": ["seq", "t", "prev", "event", "crc"],
        "additionalProperties": False,
        "$defs": parts,
    }
