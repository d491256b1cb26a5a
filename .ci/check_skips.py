"""Fails when a test was skipped that the committed list does not allow."""

from __future__ import annotations

import sys
import xml.etree.ElementTree as ET
from pathlib import Path


def main(report: str, allowed: str) -> int:
    """Compare the skipped tests of a JUnit report with the list of allowed ones."""
    lines = Path(allowed).read_text(encoding="utf-8").splitlines()
    known = {line.split("#")[0].strip() for line in lines} - {""}
    skipped = {
        f"{case.get('classname')}::{case.get('name')}"
        for case in ET.parse(report).iter("testcase")
        if case.find("skipped") is not None
    }
    surprises = sorted(name for name in skipped if name not in known)
    for name in surprises:
        print(f"skipped, but not on the list {allowed}: {name}")
    return int(bool(surprises))


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
