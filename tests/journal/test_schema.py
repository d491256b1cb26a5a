from __future__ import annotations

from pathlib import Path

import jsonschema
import msgspec

from burnin.journal.schema import line_schema
from burnin.records import codec

PUBLISHED = Path(__file__).parents[2] / "docs" / "schema" / "journal-line.schema.json"


def test_the_published_schema_is_the_one_of_the_records():
    # To renew it after a change of the records: python tests/journal/renew_schema.py
    assert msgspec.json.decode(PUBLISHED.read_bytes()) == msgspec.json.decode(codec.to_json(line_schema()))


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(msgspec.json.decode(codec.to_json(line_schema())))
