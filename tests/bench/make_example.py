"""Makes the example run of ``docs/examples/virtual-machine``: sensors, ports and displays really read from the guest's kernel.

python tests/bench/make_example.py docs/examples/virtual-machine
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Final

from build_image import build
from emulated_chip import add_chip
from guest import Build, Guest

INPUTS: Final = ("plan.toml", "checklist.toml", "order.toml", "workshop.toml")


def make(target: Path) -> int:
    """Run the plan, checklist and order of that folder in the bench machine; put the run's folder beside them."""
    with tempfile.TemporaryDirectory() as place, Guest(Build(image=build(), folder=Path(place))) as guest:
        guest.add_processor_sensor(41.0)
        guest.warm()
        add_chip(guest)
        for name in INPUTS:
            shutil.copy(target / name, guest.share / name)
        guest.begin(
            "run",
            "cd /share && burnin accept --plan plan.toml --checklist checklist.toml --order order.toml "
            "--workshop workshop.toml --out /data/runs --yes",
        )
        for after, temp_c in (
            ("loads are opening", 52.5),
            ("together: begins", 63.25),
            ("cool-down: begins", 47.0),
        ):
            guest.wait(lambda words=after: words in guest.said("run"), after, timeout_s=240)
            guest.set_temperature(temp_c)
        answer = guest.ended("run", timeout_s=240)
        print(answer.text)
        copied = guest.fetch("/data/runs", "runs")
        (folder,) = (path for path in copied.iterdir() if path.is_dir())
        for path in folder.iterdir():
            shutil.copy(path, target / path.name)
    return answer.code


if __name__ == "__main__":
    sys.exit(0 if make(Path(sys.argv[1])) in {0, 3} else 1)
