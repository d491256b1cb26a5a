from __future__ import annotations

import pytest

from burnin.errors import InputError
from burnin.journal.assemble import assemble
from burnin.records.view import Integrity


def test_no_lines_are_no_run():
    with pytest.raises(InputError, match="found no opening line"):
        assemble([], Integrity(lines=0, head_sha256="0" * 64))
