"""Builds the bench machine: a Debian guest with the distribution's own kernel, and this package with its dependencies.

Three parts come out, each cached under a digest of what went in: the system (root file system and kernel), the first
file system that starts it, and the program. Nothing but Debian's and PyPI's registries is asked.

    python tests/bench/build_image.py            # build what is missing, print where it lies
    python tests/bench/build_image.py --packages # print the Debian packages it needs
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import inspect
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
HERE: Final = Path(__file__).resolve().parent
SUITE: Final = "bookworm"
PYTHON: Final = "3.11"
"""Python of that suite; the dependencies' wheels are chosen for it, whatever runs this script."""

GUEST_PACKAGES: Final = ("python3", "kmod", "i2c-tools", "pci.ids", "usb.ids", "procps")
HOST_PACKAGES: Final = (
    "qemu-system-x86", "seabios", "mmdebstrap", "busybox-static", "cpio", "squashfs-tools", "nbdkit", "e2fsprogs", "kmod",
)  # fmt: skip
TOOLS: Final = (
    "qemu-system-x86_64",
    "mmdebstrap",
    "busybox",
    "cpio",
    "mksquashfs",
    "nbdkit",
    "mke2fs",
    "modprobe",
)
BOOT_MODULES: Final = ("virtio_pci", "virtio_blk", "ext4", "squashfs")
UNUSED_DRIVERS: Final = (
    "sound", "drivers/gpu/drm/amd", "drivers/gpu/drm/i915", "drivers/gpu/drm/nouveau", "drivers/gpu/drm/radeon",
    "drivers/net", "drivers/media", "drivers/infiniband", "drivers/staging", "drivers/scsi", "drivers/isdn", "net/netfilter",
    "fs/xfs", "fs/btrfs", "fs/ocfs2", "fs/gfs2", "fs/nfs", "fs/ceph", "drivers/iio", "drivers/bluetooth",
)  # fmt: skip
"""Parts of the kernel package that no device of the bench needs: two thirds of its size."""


@dataclass(frozen=True, kw_only=True)
class Image:
    """Where the bench machine's files lie.

    Attributes:
        kernel: Debian's kernel.
        initrd: Finds and mounts the system.
        system: Root file system.
        program: Python packages, this one among them.
    """

    kernel: Path
    initrd: Path
    system: Path
    program: Path


class BuildError(RuntimeError):
    """Something the build needs is missing or failed."""


def cache_folder() -> Path:
    """Return where images are kept between runs."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else ROOT / ".cache") / "burnin-bench"


def build(say: bool = True) -> Image:
    """Return the bench machine, building only what is not cached."""
    missing = [tool for tool in TOOLS if shutil.which(tool, path=_path()) is None]
    if missing:
        raise BuildError(f"missing: {', '.join(missing)}. apt-get install {' '.join(HOST_PACKAGES)}")
    system = _cached("system", _system_key(), _build_system, say)
    start = _cached("start", _start_key(), lambda _, result: _build_start(system, result), say)
    program = _cached("program", _program_key(), _build_program, say)
    return Image(
        kernel=system / "kernel",
        initrd=start / "initrd",
        system=system / "root.ext4",
        program=program / "program.squashfs",
    )


def _path() -> str:
    return f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"


def run(command: Sequence[str | Path], **more: object) -> subprocess.CompletedProcess[bytes]:
    """Run a command; its output is shown when it fails."""
    done = subprocess.run(
        [str(word) for word in command],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
        env=dict(os.environ, PATH=_path(), LC_ALL="C.UTF-8"),
        **more,
    )
    if done.returncode:
        tail = done.stdout.decode("utf-8", "replace")[-3000:]
        raise BuildError(f"{command[0]} ended with {done.returncode}:\n{tail}")
    return done


def _cached(name: str, key: str, make: object, say: bool) -> Path:
    folder = cache_folder() / f"{name}-{key[:16]}"
    if folder.is_dir():
        return folder
    if say:
        print(f"building {name} ({folder})", file=sys.stderr)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent, prefix=f".{name}-") as place:
        result = Path(place) / "result"
        result.mkdir()
        make(Path(place), result)  # type: ignore[operator]
        for old in folder.parent.glob(f"{name}-*"):
            shutil.rmtree(old)
        result.rename(folder)
    return folder


def _digest(*parts: bytes) -> str:
    fold = hashlib.sha256()
    for part in parts:
        fold.update(len(part).to_bytes(8, "big") + part)
    return fold.hexdigest()


def _system_key() -> str:
    recipe = "".join(map(inspect.getsource, (_build_system, _install_kernel, _keep_boot_modules, _room)))
    return _digest(repr((SUITE, GUEST_PACKAGES, BOOT_MODULES, UNUSED_DRIVERS, recipe)).encode())


def _start_key() -> str:
    scripts = (path.read_bytes() for path in sorted(HERE.glob("guest-*.sh")))
    return _digest(_system_key().encode(), inspect.getsource(_build_start).encode(), *scripts)


def _program_key() -> str:
    """Digest of everything that goes into this package's wheel, and of the pinned versions."""
    files = [ROOT / "pyproject.toml", ROOT / ".ci" / "constraints.txt", Path(__file__)]
    for folder in ("burnin", "reports_templates"):
        files += [path for path in (ROOT / folder).rglob("*") if path.is_file() and path.suffix != ".pyc"]
    return _digest(
        *(str(path.relative_to(ROOT)).encode() + b"\0" + path.read_bytes() for path in sorted(files))
    )


def _build_program(place: Path, result: Path) -> None:
    target = place / "packages"
    install_program(target, place / "wheels")
    words = ["-quiet", "-no-progress", "-comp", "zstd", "-all-root"]
    run(["mksquashfs", target, result / "program.squashfs", *words])


def install_program(target: Path, wheels: Path) -> None:
    """Put this package's wheel and its dependencies into a folder, as a customer's machine would get them.

    Args:
        target: Folder to make; it goes onto the guest's ``PYTHONPATH``.
        wheels: Folder for the wheel.
    """
    run([sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", wheels, ROOT])
    (wheel,) = wheels.glob("burnin-*.whl")
    run(
        [
            sys.executable, "-m", "pip", "install", "-q", "--target", target, "--python-version", PYTHON,
            "--platform", "manylinux2014_x86_64", "--platform", "manylinux_2_27_x86_64", "--platform", "manylinux_2_28_x86_64",
            "--only-binary=:all:", "-c", ROOT / ".ci" / "constraints.txt", wheel,
        ]
    )  # fmt: skip
    run([sys.executable, "-m", "compileall", "-q", "-j", "2", target])


def _build_system(place: Path, result: Path) -> None:
    root = place / "root"
    fetch_kernel = (
        'chroot "$1" sh -c \'cd /root && apt-get download -qq '
        '$(apt-cache depends linux-image-amd64 | sed -n "s/.*Depends: //p" | head -1)\''
    )
    run(
        [
            "mmdebstrap", "--variant=minbase", "--mode=root", f"--include={','.join(GUEST_PACKAGES)}",
            '--essential-hook=printf "path-exclude=/usr/share/doc/*\\npath-exclude=/usr/share/locale/*\\n" > "$1/etc/dpkg/dpkg.cfg.d/small"',
            f"--customize-hook={fetch_kernel}", SUITE, root,
        ]
    )  # fmt: skip
    (package,) = (root / "root").glob("linux-image-*.deb")
    run(["dpkg-deb", "-x", package, place / "linux"])
    package.unlink()
    release = _install_kernel(place / "linux", root, result)
    _keep_boot_modules(root, release, result / "modules")
    for mount in ("data", "share", "opt/burnin"):
        (root / mount).mkdir(parents=True, exist_ok=True)
    (root / "etc" / "hostname").write_text("bench\n", encoding="utf-8")
    run(["mke2fs", "-q", "-t", "ext4", "-d", root, "-m", "0", result / "root.ext4", _room(root)])


def _room(root: Path) -> str:
    used = sum(path.lstat().st_size for path in root.rglob("*") if path.is_file() and not path.is_symlink())
    return f"{(used >> 20) * 5 // 4 + 160}M"


def _install_kernel(linux: Path, root: Path, result: Path) -> str:
    (modules,) = (linux / "lib" / "modules").iterdir()
    release = modules.name
    for part in UNUSED_DRIVERS:
        shutil.rmtree(modules / "kernel" / part, ignore_errors=True)
    shutil.copytree(modules, root / "usr" / "lib" / "modules" / release, symlinks=True)
    run(["depmod", "-b", root, release])
    shutil.copy(linux / "boot" / f"vmlinuz-{release}", result / "kernel")
    return release


def _keep_boot_modules(root: Path, release: str, target: Path) -> None:
    """Copy the drivers that reach the disks beside the system, numbered in the order in which they are loaded."""
    found: list[Path] = []
    for module in BOOT_MODULES:
        listed = run(["modprobe", "-d", root, "-S", release, "-D", module]).stdout.decode()
        for line in listed.splitlines():
            words = line.split()
            if words[:1] == ["insmod"] and Path(words[1]) not in found:
                found.append(Path(words[1]))
    target.mkdir()
    for number, module in enumerate(found):
        shutil.copy(module, target / f"{number:02d}-{module.name}")


def _build_start(system: Path, result: Path) -> None:
    """Write the first file system: busybox, the disks' drivers, the guest's scripts, and what mounts and starts them."""
    with tempfile.TemporaryDirectory() as place:
        first = Path(place)
        for name in ("bin", "proc", "dev", "root", "scripts"):
            (first / name).mkdir()
        shutil.copy(shutil.which("busybox", path=_path()) or "busybox", first / "bin" / "busybox")
        shutil.copytree(system / "modules", first / "modules")
        for script in HERE.glob("guest-*.sh"):
            shutil.copy(script, first / "scripts" / script.stem)
        (first / "init").write_text(
            "#!/bin/busybox sh\n/bin/busybox mount -t devtmpfs dev /dev\n"
            "for module in /modules/*; do /bin/busybox insmod $module; done\n"
            "n=0; while [ ! -b /dev/vda ] && [ $n -lt 200 ]; do /bin/busybox usleep 50000; n=$((n+1)); done\n"
            "/bin/busybox mount -t ext4 /dev/vda /root\n/bin/busybox mount --move /dev /root/dev\n"
            "/bin/busybox cp /scripts/* /root/usr/local/sbin/\n/bin/busybox chmod 755 /root/usr/local/sbin/*\n"
            "exec /bin/busybox switch_root /root /usr/local/sbin/guest-init\n",
            encoding="utf-8",
        )
        (first / "init").chmod(0o755)
        names = "\n".join(sorted(str(path.relative_to(first)) for path in first.rglob("*")))
        packed = run(["cpio", "-o", "-H", "newc", "--quiet"], input=names.encode(), cwd=first).stdout
        (result / "initrd").write_bytes(gzip.compress(packed, 6))


def main() -> int:
    """Build, or say what is needed."""
    parser = argparse.ArgumentParser(description="Build the bench machine.")
    parser.add_argument("--packages", action="store_true", help="print the Debian packages this needs")
    if parser.parse_args().packages:
        print(" ".join(HOST_PACKAGES))
        return 0
    try:
        image = build()
    except BuildError as error:
        print(f"build_image: {error}", file=sys.stderr)
        return 2
    for path in (image.kernel, image.initrd, image.system, image.program):
        print(f"{path} {path.stat().st_size >> 20} MiB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
