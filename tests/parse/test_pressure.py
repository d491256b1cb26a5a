from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.pressure import parse_pressure


def test_the_form_of_the_kernels_documentation():
    """Form of the kernel's documentation, accounting/psi; figures of a running Linux 6.18."""
    text = (
        b"some avg10=1.14 avg60=0.81 avg300=0.74 total=1088168194\n"
        b"full avg10=0.00 avg60=0.00 avg300=0.00 total=0\n"
    )
    assert parse_pressure(text) == {"some": 1.14, "full": 0.0}


def test_one_line_will_do_and_unknown_lines_are_skipped():
    assert parse_pressure(b"half avg10=1.00\nsome avg10=100.00 avg60=1.00 avg300=1.00 total=1") == {
        "some": 100.0
    }


@pytest.mark.parametrize("data", [b"", b"some\n", b"some avg10=x avg60=0 avg300=0 total=0\n", b"\xff\xfe"])
def test_anything_else_is_refused(data):
    with pytest.raises(ParseError, match="pressure"):
        parse_pressure(data)
