"""Builds the bench stick: a live image for BIOS and UEFI that tests a machine without an operating system of its own.

    python tests/bench/stick/build_stick.py --out bench-stick.img

The image holds three things: a read-only Debian system with this package, a start screen, and a data partition that keeps
runs across resets. It needs root, and Debian's and PyPI's registries only. Write it to a stick with
``dd if=bench-stick.img of=/dev/sdX bs=4M conv=fsync``.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from build_image import SUITE, BuildError, install_program, run  # noqa: E402 - the folder is no package

PACKAGES: Final = (
    "linux-image-amd64", "live-boot", "systemd-sysv", "udev", "kmod", "python3", "pci.ids", "usb.ids", "smartmontools",
    "procps", "less",
)  # fmt: skip
FIRMWARE: Final = ("firmware-amd-graphics", "firmware-misc-nonfree", "amd64-microcode", "intel-microcode")
HOST_PACKAGES: Final = (
    "mmdebstrap", "squashfs-tools", "xorriso", "mtools", "grub-efi-amd64-bin", "grub-pc-bin", "grub-common", "e2fsprogs",
)  # fmt: skip
GRUB: Final = """set timeout={timeout}
serial --unit=0 --speed=115200
terminal_output console serial
insmod all_video
search --no-floppy --set=root --file /live/filesystem.squashfs
menuentry "Bench stick" {{
  linux /live/vmlinuz boot=live noeject nopersistence quiet {words}
  initrd /live/initrd
}}
"""


def build(out: Path, *, words: str, data_mib: int, firmware: bool) -> None:
    """Write the image.

    Args:
        out: Where to.
        words: More words for the kernel, as ``bench.plan=first-look`` for a run without a question.
        data_mib: Size of the data partition.
        firmware: Whether to take the makers' firmware in (Debian's section non-free-firmware).
    """
    with tempfile.TemporaryDirectory(dir=out.parent) as place:
        root, tree = Path(place) / "root", Path(place) / "tree"
        _system(root, firmware=firmware)
        install_program(root / "opt" / "burnin", Path(place) / "wheels")
        _own_files(root)
        (tree / "live").mkdir(parents=True)
        (tree / "boot" / "grub").mkdir(parents=True)
        for name in ("vmlinuz", "initrd.img"):
            (newest,) = (root / "boot").glob(f"{name}-*")
            shutil.move(newest, tree / "live" / name.removesuffix(".img"))
        run(
            [
                "mksquashfs",
                root,
                tree / "live" / "filesystem.squashfs",
                "-quiet",
                "-no-progress",
                "-comp",
                "zstd",
            ]
        )
        text = GRUB.format(words=words, timeout=0 if "bench.plan=" in words else 5)
        (tree / "boot" / "grub" / "grub.cfg").write_text(text, encoding="utf-8")
        data = Path(place) / "data.img"
        run(["mke2fs", "-q", "-t", "ext4", "-m", "0", "-L", "BENCHDATA", data, f"{data_mib}M"])
        run(["grub-mkrescue", "-o", out, tree, "--", "-append_partition", "3", "0x83", data])


def _system(root: Path, *, firmware: bool) -> None:
    packages = (*PACKAGES, *(FIRMWARE if firmware else ()))
    sections = "main,non-free-firmware" if firmware else "main"
    run(
        [
            "mmdebstrap", "--variant=minbase", "--mode=root", f"--include={','.join(packages)}", f"--components={sections}",
            '--essential-hook=printf "path-exclude=/usr/share/doc/*\\npath-exclude=/usr/share/locale/*\\n" > "$1/etc/dpkg/dpkg.cfg.d/small"',
            SUITE, root,
        ]
    )  # fmt: skip


def _own_files(root: Path) -> None:
    """Add start screen and command; leave no way in from outside: no password, no login prompt, no network service."""
    places = {
        "start-screen.sh": "usr/local/sbin/start-screen",
        "burnin-names.sh": "usr/local/sbin/burnin-names",
        "bench-start.service": "etc/systemd/system/bench-start.service",
    }
    for name, place in places.items():
        shutil.copy(HERE / name, root / place)
        (root / place).chmod(0o755 if name.endswith(".sh") else 0o644)
    command = root / "usr" / "local" / "bin" / "burnin"
    command.write_text(
        '#!/bin/sh\nexport PYTHONPATH=/opt/burnin PYTHONDONTWRITEBYTECODE=1\nexec python3 -m burnin "$@"\n',
        encoding="utf-8",
    )
    command.chmod(0o755)
    (root / "etc" / "hostname").write_text("bench-stick\n", encoding="utf-8")
    run(["chroot", root, "passwd", "-l", "root"])
    run(["chroot", root, "systemctl", "enable", "bench-start.service"])
    run(
        [
            "chroot",
            root,
            "systemctl",
            "mask",
            "getty@.service",
            "serial-getty@.service",
            "systemd-networkd.service",
        ]
    )


def main() -> int:
    """Build the image asked for."""
    parser = argparse.ArgumentParser(description="Build the bench stick.")
    parser.add_argument("--out", type=Path, default=Path("bench-stick.img"), help="where to write the image")
    parser.add_argument("--words", default="", help="more words for the kernel, as bench.plan=first-look")
    parser.add_argument("--data-mib", type=int, default=512, help="size of the data partition (512)")
    parser.add_argument(
        "--firmware", action="store_true", help="take in the makers' firmware (non-free-firmware)"
    )
    options = parser.parse_args()
    try:
        build(
            options.out.resolve(), words=options.words, data_mib=options.data_mib, firmware=options.firmware
        )
    except BuildError as error:
        print(f"build_stick: {error}\n  apt-get install {' '.join(HOST_PACKAGES)}", file=sys.stderr)
        return 2
    print(f"{options.out} {options.out.stat().st_size >> 20} MiB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
