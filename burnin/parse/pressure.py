"""Pressure stall information: the share of time in which work waited for a resource.

*Format*: lines ``some avg10=0.00 avg60=0.00 avg300=0.00 total=0`` and ``full ...`` (Linux documentation,
accounting/psi). *Seen on*: Linux 5.10 to 6.18.
"""

from __future__ import annotations

import re
from typing import Final

from burnin.errors import ParseError
from burnin.parse.counters import shown

_LINE: Final = re.compile(
    r"(?P<kind>some|full) avg10=(?P<share>\d{1,3}\.\d{2}) avg60=\S+ avg300=\S+ total=\d+"
)


def parse_pressure(data: bytes) -> dict[str, float]:
    """Return the share over the last 10 s in percent by kind: ``some`` (a task waited) and ``full`` (all did).

    Raises:
        ParseError: no line has the expected form.
    """
    matches = (_LINE.fullmatch(line.strip()) for line in data.decode("ascii", "replace").splitlines())
    shares = {match["kind"]: float(match["share"]) for match in matches if match}
    if not shares:
        raise ParseError("pressure", field="line", found=shown(data), expected="'some avg10=... total=...'")
    return shares
