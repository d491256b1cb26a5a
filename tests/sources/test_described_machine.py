"""hwmon on a /sys that umockdev describes, read by this unmodified program and by the sensor library itself."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import burnin

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(shutil.which("umockdev-run") is None, reason="umockdev is not installed"),
]

MACHINE = r"""P: /devices/platform/coretemp.0/hwmon/hwmon3
E: SUBSYSTEM=hwmon
A: name=coretemp\n
A: temp1_label=Package id 0\n
A: temp1_input=61000\n
A: temp1_crit=100000\n
A: temp2_label=Core 0\n
A: temp2_input=58000\n

P: /devices/pci0000:00/0000:00:1d.0/0000:02:00.0/nvme/nvme0/hwmon0
E: SUBSYSTEM=hwmon
A: name=nvme\n
A: temp1_label=Composite\n
A: temp1_input=49850\n
A: temp1_max=69850\n
A: temp1_min=-273150\n
A: temp1_crit=99850\n
"""

PROGRAM = """
import json, os, psutil
from burnin.host.real import RealHost
from burnin.sources.hwmon import PLUGIN

host = RealHost()
channels = PLUGIN.describe(host).channels
session = PLUGIN.open(host, channels)
values = lambda: {channel.id: reading.value for channel, reading in zip(channels, session.read(), strict=True)}
seen = {"before": values(), "library": {
    f"{chip}/{item.label}": item.current for chip, items in psutil.sensors_temperatures().items() for item in items
}}
file = os.environ["UMOCKDEV_DIR"] + "/sys/devices/platform/coretemp.0/hwmon/hwmon3/temp1_input"
open(file, "w").write("99000\\n")
seen["changed"] = values()
os.unlink(file)
seen["removed"] = values()
seen["reasons"] = [reading.reason for reading in session.read() if reading.reason]
print(json.dumps(seen))
"""

PACKAGE = "hwmon/coretemp-coretemp.0/temp1"


@pytest.fixture(scope="module")
def seen(tmp_path_factory):
    description = tmp_path_factory.mktemp("described") / "machine.umockdev"
    description.write_text(MACHINE)
    environment = {**os.environ, "PYTHONPATH": str(Path(burnin.__file__).parents[1])}
    done = subprocess.run(
        ["umockdev-run", "-d", str(description), "--", sys.executable, "-c", PROGRAM],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_values_agree_with_the_sensor_library(seen):
    assert seen["before"] == {
        PACKAGE: seen["library"]["coretemp/Package id 0"],
        "hwmon/coretemp-coretemp.0/temp2": seen["library"]["coretemp/Core 0"],
        "hwmon/nvme-0000:02:00.0/temp1": seen["library"]["nvme/Composite"],
    }
    assert seen["before"][PACKAGE] == 61.0


def test_a_change_is_seen_while_the_file_is_kept_open(seen):
    assert seen["changed"][PACKAGE] == 99.0


def test_a_vanished_sensor_is_missing_and_silences_nobody(seen):
    assert seen["removed"] == seen["before"] | {PACKAGE: None}
    assert seen["reasons"] == ["not there"]
