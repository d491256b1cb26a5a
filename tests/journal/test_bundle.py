"""The bundle: same content, same bytes; whatever somebody else made of it, opening is safe."""

from __future__ import annotations

import hashlib
import io
import random
import struct
import tracemalloc
import zipfile

import pytest

from burnin.errors import InputError
from burnin.journal import bundle as bundling
from burnin.journal.bundle import MEMBERS, looks_like_bundle, make_bundle, open_bundle

FILES = {
    "seal.json": b"{}",
    "result.json": b"{}",
    "certificate.html": b"<p>\xc3\xbc",
    "plan.toml": b"a = 1\n",
}


@pytest.fixture
def files(journal):
    return FILES | {"journal.jsonl": journal}


@pytest.fixture
def bundle(files):
    return make_bundle(files)


def remarked(data: bytes) -> bytes:
    """Return an archive with a right digest at its end, as an attacker would make it."""
    comment = len(bundling._MARK) + 64
    body = data[:-2] + struct.pack("<H", comment)
    return body + bundling._MARK + hashlib.sha256(body).hexdigest().encode()


def archive(entries, method=zipfile.ZIP_DEFLATED):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as made:
        for name, data in entries:
            made.writestr(zipfile.ZipInfo(name), data, method)
    return remarked(buffer.getvalue())


def test_the_same_content_gives_the_same_bytes_in_any_order(files, bundle):
    assert make_bundle(dict(reversed(files.items()))) == bundle


def test_any_zip_tool_opens_it(files, bundle):
    with zipfile.ZipFile(io.BytesIO(bundle)) as opened:
        assert opened.testzip() is None
        assert {name: opened.read(name) for name in opened.namelist()} == files
        assert {entry.date_time for entry in opened.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_content_comes_back(tmp_path, files, bundle):
    path = tmp_path / "run.zip"
    path.write_bytes(bundle)
    opened = open_bundle(path)
    assert opened.names == tuple(name for name in MEMBERS if name in files)
    assert {name: opened.read(name) for name in opened.names} == files
    assert set(opened.files()) == {"certificate.html", "result.json", "plan.toml"}
    assert opened.run().opened.run_id == "trial"
    assert looks_like_bundle(path)
    assert not looks_like_bundle(tmp_path)
    (tmp_path / "x").write_bytes(b"{")
    assert not looks_like_bundle(tmp_path / "x")


def test_every_changed_byte_is_found(bundle):
    for offset in range(len(bundle)):
        changed = bytearray(bundle)
        changed[offset] ^= 1 << (offset % 8)
        with pytest.raises(InputError):
            open_bundle(bytes(changed))


def test_bytes_added_or_removed_are_found(bundle):
    chance = random.Random(1)
    for _ in range(200):
        offset = chance.randrange(len(bundle))
        for changed in (
            bundle[:offset] + b"x" + bundle[offset:],
            bundle[:offset] + bundle[offset + 1 :],
            bundle[:offset],
        ):
            if changed != bundle:
                with pytest.raises(InputError):
                    open_bundle(changed)


@pytest.mark.parametrize(
    "names",
    [
        ["../journal.jsonl", "seal.json"],
        ["/etc/passwd", "journal.jsonl", "seal.json"],
        ["journal.jsonl", "journal.jsonl", "seal.json"],
        ["C:\\x", "seal.json"],
        ["seal.json", "journal.jsonl"],
        ["journal.jsonl", "seal.json", "run.py"],
        ["journal.jsonl"],
        ["seal.json"],
        [],
    ],
)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_other_names_are_refused(names):
    with pytest.raises(InputError, match="expected"):
        open_bundle(archive([(name, b"x") for name in names]))


def test_a_member_that_claims_too_much_is_refused():
    with pytest.raises(InputError, match="at most 1048576"):
        open_bundle(
            archive([("journal.jsonl", b""), ("plan.toml", bytes((1 << 20) + 1)), ("seal.json", b"")])
        )


def test_a_member_that_lies_about_its_size_is_cut_off(monkeypatch):
    data = archive([("journal.jsonl", b""), ("seal.json", bytes(40 << 20))])
    small = struct.pack("<I", 1 << 20)
    changed = remarked(data[: -bundling._COMMENT].replace(struct.pack("<I", 40 << 20), small))
    opened = open_bundle(changed)
    tracemalloc.start()
    with pytest.raises(InputError, match="cannot be unpacked"):
        opened.read("seal.json")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 8 << 20


def test_other_ways_of_packing_are_refused():
    for method in (zipfile.ZIP_STORED, zipfile.ZIP_LZMA):
        with pytest.raises(InputError, match="plain deflate"):
            open_bundle(archive([("journal.jsonl", b""), ("seal.json", b"")], method))


def test_what_is_no_archive_is_refused(tmp_path, monkeypatch):
    for data in (b"", b"PK\x03\x04", remarked(b"PK\x03\x04" + bytes(30)), b"x" * 200):
        with pytest.raises(InputError, match="found"):
            open_bundle(data)
    with pytest.raises(InputError, match="cannot be read"):
        open_bundle(tmp_path / "none")
    with pytest.raises(InputError, match="expected a file of at most"):
        open_bundle(tmp_path)
    monkeypatch.setattr(bundling, "LARGEST_BUNDLE", 3)
    (tmp_path / "big").write_bytes(b"PK\x03\x04")
    with pytest.raises(InputError, match="4 bytes"):
        open_bundle(tmp_path / "big")


def test_absent_members_and_journals_that_are_none_are_refused(files):
    opened = open_bundle(make_bundle(files | {"journal.jsonl": b"x\n"}), name="somebody's")
    with pytest.raises(InputError, match="no such member"):
        opened.read("order.toml")
    with pytest.raises(InputError, match=r"somebody's, journal.jsonl: line 1"):
        opened.run()


def test_only_known_names_go_in(files):
    with pytest.raises(ValueError, match=r"run\.py"):
        make_bundle(files | {"run.py": b""})
    with pytest.raises(ValueError, match=r"seal\.json"):
        make_bundle({"journal.jsonl": b""})
