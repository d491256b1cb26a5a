"""Starts a bench stick in the virtual machine and looks for a certificate on its data partition afterwards.

    python tests/bench/stick/boot_stick.py bench-stick.img bios|uefi

The stick must have been built with ``--words "bench.plan=first-look bench.then=off"``. The image itself is not changed.
"""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

OVMF: Final = "/usr/share/ovmf/OVMF.fd"
LIMIT_S: Final = 1200.0


def boot(image: Path, firmware: str, place: Path) -> float:
    """Start a copy of the stick from USB and wait until it switches itself off; return the seconds that took."""
    stick = place / "stick.img"
    shutil.copy(image, stick)
    words = (
        "-machine q35 -accel tcg,thread=multi -cpu max,l3-cache=off -smp 2 -m 2560 -display none -nodefaults -no-reboot -vga std "
        f"-serial file:{place / 'console.log'} -device qemu-xhci "
        f"-drive file={stick},if=none,id=stick,format=raw,cache=unsafe -device usb-storage,drive=stick,bootindex=0 "
        f"-monitor unix:{place / 'monitor.sock'},server=on,wait=off"
    ).split()
    if firmware == "uefi":
        words += ["-bios", OVMF]
    began = time.monotonic()
    subprocess.run(
        ["setpriv", "--pdeathsig", "KILL", "nice", "-n", "5", "qemu-system-x86_64", *words],
        check=True,
        timeout=LIMIT_S,
        stdin=subprocess.DEVNULL,
    )
    return time.monotonic() - began


def data_of(stick: Path, place: Path) -> Path:
    """Copy what lies on the third partition of the stick's MBR out of it; return where to."""
    file, target = place / "data.img", place / "data"
    with stick.open("rb") as source, file.open("wb") as copy:
        start, count = struct.unpack("<II", source.read(512)[446 + 2 * 16 + 8 : 446 + 2 * 16 + 16])
        source.seek(start * 512)
        copy.write(source.read(count * 512))
    target.mkdir()
    subprocess.run(["/sbin/debugfs", "-R", f"rdump / {target}", file], check=True, capture_output=True)
    return target


def main() -> int:
    """Boot once; return 0 when a certificate is there."""
    image, firmware = Path(sys.argv[1]).resolve(), sys.argv[2]
    with tempfile.TemporaryDirectory(dir=image.parent) as name:
        place = Path(name)
        span_s = boot(image, firmware, place)
        data = data_of(place / "stick.img", place)
        results = sorted(data.rglob("result.json"))
        certificates = sorted(data.rglob("certificate.html"))
        for path in results:
            verdict = json.loads(path.read_text("utf-8"))["verdict"]
            print(f"{path.parent.name}: {verdict['line']}")
        print(f"{firmware}: off after {span_s:.0f} s, {len(certificates)} certificate(s)")
    return 0 if certificates else 1


if __name__ == "__main__":
    sys.exit(main())
