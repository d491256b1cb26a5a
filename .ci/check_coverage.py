"""Holds branch coverage to the house's gates: full for the rooms that decide, 95 % for the whole."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

FULL = ("records", "parse", "calc", "criteria", "journal")
WHOLE_PCT = 95.0


def main() -> int:
    """Combine the data of all processes and compare room by room."""
    subprocess.run([sys.executable, "-m", "coverage", "combine", "--quiet"], check=False)
    with tempfile.TemporaryDirectory() as folder:
        target = str(Path(folder) / "coverage.json")
        subprocess.run([sys.executable, "-m", "coverage", "json", "-q", "-o", target], check=True)
        report = json.loads(Path(target).read_text(encoding="utf-8"))
    bad = []
    for name, file in sorted(report["files"].items()):
        room = Path(name).parts[1] if len(Path(name).parts) > 2 else ""
        if room in FULL and file["summary"]["percent_covered"] < 100.0:
            missing = [*file["missing_lines"], *file.get("missing_branches", [])]
            bad.append(f"{name}: {file['summary']['percent_covered']:.1f} %, missing {missing}")
    total = report["totals"]["percent_covered"]
    print(f"branch coverage: {total:.2f} % of the whole (gate {WHOLE_PCT} %)")
    for line in bad:
        print(f"below 100 %: {line}")
    return int(bool(bad) or total < WHOLE_PCT)


if __name__ == "__main__":
    sys.exit(main())
