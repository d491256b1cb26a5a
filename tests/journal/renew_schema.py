"""Write docs/schema/journal-line.schema.json anew from the records."""

from __future__ import annotations

from pathlib import Path

from burnin.journal.schema import line_schema
from burnin.records import codec

if __name__ == "__main__":
    target = Path(__file__).parents[2] / "docs" / "schema" / "journal-line.schema.json"
    target.write_bytes(codec.to_pretty_json(line_schema()))
