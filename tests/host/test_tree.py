from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from burnin.errors import Unreadable
from burnin.host import tree as tree_module
from burnin.host.tree import MOST_BYTES, FileTree, reason_of


@pytest.fixture
def root(tmp_path):
    folder = tmp_path / "root"
    (folder / "sys/class/hwmon").mkdir(parents=True)
    (folder / "sys/devices/chip").mkdir(parents=True)
    (folder / "sys/devices/chip/temp1_input").write_text("42000\n")
    (folder / "secret").write_text("inside\n")
    (tmp_path / "secret").write_text("outside\n")
    return folder


def test_relative_links_are_followed_inside_the_root(root):
    (root / "sys/class/hwmon/hwmon0").symlink_to("../../devices/chip")
    tree = FileTree(str(root))
    assert tree.read("/sys/class/hwmon/hwmon0/temp1_input") == b"42000\n"
    assert tree.resolve("/sys/class/hwmon/hwmon0") == "/sys/devices/chip"
    assert tree.names("/sys/class/hwmon/hwmon0") == ("temp1_input",)


def test_absolute_links_start_at_the_root_not_at_this_system(root):
    (root / "sys/class/hwmon/hwmon0").symlink_to("/sys/devices/chip")
    (root / "password").symlink_to("/etc/passwd")
    tree = FileTree(str(root))
    assert tree.read("/sys/class/hwmon/hwmon0/temp1_input") == b"42000\n"
    with pytest.raises(Unreadable, match="not there"):
        tree.read("/password")


@pytest.mark.parametrize(
    "path", ["/../secret", "/sys/../../secret", "/../../../../secret", "/./sys/./../secret"]
)
def test_no_path_leads_out_of_the_root(root, path):
    assert FileTree(str(root)).read(path) == b"inside\n"


def test_no_link_leads_out_of_the_root(root):
    (root / "sys/out").symlink_to("../../../../secret")
    assert FileTree(str(root)).read("/sys/out") == b"inside\n"


def test_links_in_a_circle_are_told(root):
    (root / "a").symlink_to("b")
    (root / "b").symlink_to("a")
    tree = FileTree(str(root))
    with pytest.raises(Unreadable, match="links in a circle"):
        tree.read("/a/x")
    assert tree.names("/a") == ()
    assert tree.resolve("/a") is None


def test_a_link_to_its_own_folder_ends(root):
    (root / "sys/self").symlink_to(".")
    assert FileTree(str(root)).read("/sys/self/self/self/devices/chip/temp1_input") == b"42000\n"


def test_what_is_not_there_is_told_in_plain_words(root):
    tree = FileTree(str(root))
    assert tree.names("/nowhere") == ()
    assert tree.resolve("/nowhere") is None
    for path in ("/nowhere", "/secret/below", "/a\0b"):
        with pytest.raises(Unreadable) as caught:
            tree.read(path)
        assert caught.value.reason == "not there"


def test_a_folder_is_no_file(root):
    with pytest.raises(Unreadable, match="a folder, not a file"):
        FileTree(str(root)).read("/sys")


def test_a_pipe_does_not_block(root):
    os.mkfifo(root / "pipe")
    with pytest.raises(Unreadable):
        FileTree(str(root)).read("/pipe")


def test_the_real_root_is_left_to_the_system(root):
    tree = FileTree("/")
    assert tree.read(str(root / "secret")) == b"inside\n"
    assert tree.resolve(f"{root}/sys/../secret") == os.path.realpath(root / "secret")
    assert tree.resolve(f"{root}/nowhere") is None


def test_a_kept_file_shows_each_new_content(root):
    file = root / "sys/devices/chip/temp1_input"
    kept = FileTree(str(root)).keep_open("/sys/devices/chip/temp1_input")
    assert kept.read() == b"42000\n"
    file.write_text("43000\n")
    assert kept.read() == b"43000\n"
    assert kept.read() == b"43000\n"
    kept.close()
    kept.close()


def test_a_kept_file_that_is_replaced_is_opened_again(root):
    file = root / "sys/devices/chip/temp1_input"
    kept = FileTree(str(root)).keep_open("/sys/devices/chip/temp1_input")
    new = root / "new"
    new.write_text("99000\n")
    new.rename(file)
    assert kept.read() == b"99000\n"
    kept.close()


def test_a_kept_file_that_vanishes_says_so_and_comes_back(root):
    file = root / "sys/devices/chip/temp1_input"
    kept = FileTree(str(root)).keep_open("/sys/devices/chip/temp1_input")
    file.unlink()
    for _ in range(2):
        with pytest.raises(Unreadable, match="not there"):
            kept.read()
    file.write_text("1\n")
    assert kept.read() == b"1\n"
    kept.close()


def test_a_closed_file_opens_again_when_read(root):
    kept = FileTree(str(root)).keep_open("/secret")
    kept.close()
    assert kept.read() == b"inside\n"
    kept.close()


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 65535, 65536, 65537, 3 << 20])
def test_files_of_any_size_are_read_whole(root, size):
    content = bytes(index % 251 for index in range(size)) if size < 100_000 else os.urandom(size)
    (root / "big").write_bytes(content)
    assert FileTree(str(root)).read("/big") == content


def test_a_file_without_end_is_refused(root):
    with (root / "huge").open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(Unreadable, match="larger than 8 MiB"):
        FileTree(str(root)).read("/huge")


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.EACCES, "administrator's rights needed"),
        (errno.ENODATA, "switched off or without data"),
        (errno.EIO, "the device did not answer"),
        (errno.ENODEV, "device gone"),
        (errno.ENOSPC, "no space left on device"),
    ],
)
def test_a_driver_that_refuses_is_told_in_plain_words(root, monkeypatch, number, reason):
    kept = FileTree(str(root)).keep_open("/secret")

    def refuse(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(tree_module.os, "read", refuse)
    with pytest.raises(Unreadable) as caught:
        kept.read()
    assert (caught.value.path, caught.value.reason) == ("/secret", reason)


def test_an_error_without_number_has_a_reason_too():
    assert reason_of(OSError()) == "unreadable"


def test_no_descriptor_is_left_open(root):
    before = len(list(Path("/proc/self/fd").iterdir()))
    tree = FileTree(str(root))
    for _ in range(50):
        tree.read("/secret")
    kept = [tree.keep_open("/secret") for _ in range(10)]
    for file in kept:
        file.close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before
