"""Every sentence about the machine as found belongs to a slug its criterion really gives."""

from __future__ import annotations

from pathlib import Path

import pytest

from burnin.report.sentences_found import SENTENCES

CRITERIA = Path(__file__).parents[2] / "burnin" / "criteria"


@pytest.mark.parametrize("key", sorted(SENTENCES))
def test_the_slug_stands_in_the_criterion(key):
    criterion, slug = key.split("/")
    source = (CRITERIA / f"{criterion}.py").read_text()
    assert f'"{slug}"' in source or any(
        slug == f"{name}_{ending}" and f'"{name}"' in source and "_bounded" in source
        for ending in ("enough", "short")
        for name in [slug.rpartition("_")[0]]
    )


@pytest.mark.parametrize("key", sorted(SENTENCES))
def test_a_sentence_ends_as_one(key):
    assert SENTENCES[key].rstrip().endswith((".", "{look_at}", "{why}"))
