"""One file with everything that belongs to a run: the same content gives the same bytes, and opening is safe.

The archive's comment holds the SHA-256 of every byte before it, so that a changed byte is found wherever it lies,
headers included. That shows accidents; against intent only the signed seal inside helps. Nothing is unpacked to
disk, names are compared with a fixed list, sizes are limited, and nothing inside is ever executed.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Final, NoReturn, cast

from burnin.errors import InputError
from burnin.journal.reader import read_run_from
from burnin.journal.store import JOURNAL_NAME
from burnin.records.view import RunView

MEMBERS: Final[dict[str, int]] = {
    "journal.jsonl": 1 << 30,
    "certificate.html": 64 << 20,
    "result.json": 16 << 20,
    "plan.toml": 1 << 20,
    "order.toml": 1 << 20,
    "checklist.toml": 1 << 20,
    "software.json": 1 << 20,
    "seal.json": 1 << 20,
}
"""Every name a bundle may hold, with the most bytes it may unpack to."""

LARGEST_BUNDLE: Final = 512 << 20
"""Largest bundle that is opened, bytes."""

_REQUIRED: Final = ("journal.jsonl", "seal.json")
_MARK: Final = b"sha256 of all bytes before this comment: "
_COMMENT: Final = len(_MARK) + 64
_DATE: Final = (1980, 1, 1, 0, 0, 0)
_CHUNK: Final = 1 << 20


class Bundle:
    """An opened bundle; members are read from memory, never unpacked to disk.

    Args:
        archive: The archive, its digest, names and sizes checked.
        name: What messages call it.
    """

    def __init__(self, archive: zipfile.ZipFile, name: str) -> None:
        self._archive = archive
        self._name = name

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the members, in the order of ``MEMBERS``."""
        return tuple(self._archive.namelist())

    def read(self, member: str) -> bytes:
        """Return a member's content.

        Raises:
            InputError: it is absent or cannot be unpacked.
        """
        data = bytearray()
        with self._unpacking(member) as stream:
            while piece := stream.read(
                _CHUNK
            ):  # in pieces: a single read may unpack 2 GiB before it is cut off
                data += piece
        return bytes(data)

    def run(self) -> RunView:
        """Return the run, read without unpacking the journal as a whole.

        Raises:
            InputError: the journal cannot be unpacked, or is none.
        """
        with self._unpacking(JOURNAL_NAME) as stream:
            return read_run_from(stream, name=f"{self._name}, {JOURNAL_NAME}")

    @contextmanager
    def _unpacking(self, member: str) -> Iterator[BinaryIO]:
        if member not in self._archive.namelist():
            _refuse(self._name, member, "no such member", "a bundle that holds it")
        try:
            with self._archive.open(member) as stream:
                yield cast("BinaryIO", stream)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError) as error:
            _refuse(self._name, member, f"content that cannot be unpacked ({error})", "what was packed")

    def files(self) -> dict[str, bytes]:
        """Return all members but journal and seal, by name: those a seal names."""
        return {name: self.read(name) for name in self.names if name not in _REQUIRED}


def make_bundle(files: Mapping[str, bytes]) -> bytes:
    """Return a bundle of the files, by name.

    Raises:
        ValueError: a name is none of ``MEMBERS``, or journal or seal is missing.
    """
    unknown = sorted(set(files) - set(MEMBERS))
    missing = [name for name in _REQUIRED if name not in files]
    if unknown or missing:
        raise ValueError(f"unknown members {unknown}, missing members {missing}")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        archive.comment = _MARK + b"0" * 64
        for name in MEMBERS:
            if name in files:
                archive.writestr(_entry(name), files[name])
    body = buffer.getvalue()[:-_COMMENT]
    return body + _MARK + hashlib.sha256(body).hexdigest().encode("ascii")


def open_bundle(source: Path | bytes, *, name: str = "", as_it_is: bool = False) -> Bundle:
    """Return the bundle in a file or in bytes.

    Args:
        source: The file, or its bytes.
        name: What messages call it; the path if empty.
        as_it_is: Open a changed one too, within the same limits, to look at what was changed.

    Raises:
        InputError: it cannot be read, is no bundle, was changed, or exceeds a limit.
    """
    name = name or (str(source) if isinstance(source, Path) else "bundle")
    data = source if isinstance(source, bytes) else _read(source, name)
    if not as_it_is:
        _check_digest(data, name)
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        members = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError) as error:
        _refuse(name, "archive", str(error), "a bundle made by this program")
    _check_members(members, name)
    return Bundle(archive, name)


def looks_like_bundle(path: Path) -> bool:
    """Return whether a file begins like a bundle, whatever its name."""
    try:
        with path.open("rb") as file:
            return file.read(4) == b"PK\x03\x04"
    except OSError:
        return False


def _entry(name: str) -> zipfile.ZipInfo:
    """Return a member's header, free of time, user and system."""
    entry = zipfile.ZipInfo(name, date_time=_DATE)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o644 << 16
    return entry


def _read(path: Path, name: str) -> bytes:
    try:
        size = path.stat().st_size
        if size > LARGEST_BUNDLE or not path.is_file():
            _refuse(name, "file", f"{size} bytes", f"a file of at most {LARGEST_BUNDLE} bytes")
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{name}: cannot be read: {error.strerror}",
            slug="bundle-unreadable",
            hint="Check the name and the rights of the file.",
        ) from error


def _check_digest(data: bytes, name: str) -> None:
    body, comment = data[:-_COMMENT], data[-_COMMENT:]
    if not data.startswith(b"PK\x03\x04") or not comment.startswith(_MARK):
        _refuse(name, "file", "no bundle, or one whose end is missing", "a bundle made by this program")
    digest = hashlib.sha256(body).hexdigest()
    found = comment[len(_MARK) :].decode("ascii", "replace")
    if found != digest:
        _refuse(name, "digest", f"{digest} over the bytes", f"{found!r}, as its end says: it was changed")


def _check_members(members: list[zipfile.ZipInfo], name: str) -> None:
    names = [member.filename for member in members]
    if names != [known for known in MEMBERS if known in names]:
        _refuse(
            name, "members", ", ".join(map(repr, names[:20])), f"some of {', '.join(MEMBERS)}, in this order"
        )
    for required in _REQUIRED:
        if required not in names:
            _refuse(name, "members", f"no {required}", f"{' and '.join(_REQUIRED)} at least")
    for member in members:
        if member.file_size > MEMBERS[member.filename]:
            _refuse(name, member.filename, f"{member.file_size} bytes", f"at most {MEMBERS[member.filename]}")
        if member.compress_type != zipfile.ZIP_DEFLATED or member.flag_bits & 1:
            _refuse(name, member.filename, "another way of packing, or encryption", "plain deflate")


def _refuse(name: str, place: str, found: str, expected: str) -> NoReturn:
    raise InputError(
        f"{name}: {place}: found {found}; expected {expected}",
        slug="bundle-bad",
        hint="Ask the workshop for the bundle again; do not repack it.",
    )
