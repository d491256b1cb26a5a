"""The real file layer, on the real file system of the test machine."""

from __future__ import annotations

import errno
import fcntl

import pytest

from burnin.journal.files import RealFiles


@pytest.fixture
def files():
    return RealFiles()


def test_a_file_is_created_once_written_cut_and_read(tmp_path, files):
    path = tmp_path / "a"
    file = files.create(path)
    assert file.write(b"hello") == 5
    file.sync()
    assert file.size() == 5
    file.truncate(2)
    file.write(b"y")
    file.close()
    assert files.read(path) == b"hey"
    with pytest.raises(FileExistsError):
        files.create(path)
    again = files.append(path)
    again.write(b"!")
    again.close()
    assert files.read(path) == b"hey!"
    with pytest.raises(FileNotFoundError):
        files.append(tmp_path / "none")


def test_a_link_is_not_followed(tmp_path, files):
    (tmp_path / "target").write_bytes(b"")
    (tmp_path / "link").symlink_to(tmp_path / "target")
    for operation in (files.append, files.create):
        with pytest.raises(OSError, match="link"):
            operation(tmp_path / "link")


def test_a_reserve_takes_real_blocks_and_shrinks(tmp_path, files):
    path = tmp_path / "reserve"
    files.reserve(path, 1 << 20)
    assert path.stat().st_size == 1 << 20
    assert path.stat().st_blocks * 512 >= 1 << 20
    files.reserve(path, 1 << 16)
    assert path.stat().st_size == 1 << 16


def test_names_are_sorted_renamed_removed_and_synced(tmp_path, files):
    for name in ("b", "a"):
        files.create(tmp_path / name).close()
    assert files.names(tmp_path) == ("a", "b")
    files.rename(tmp_path / "a", tmp_path / "b")
    files.sync_folder(tmp_path)
    assert files.names(tmp_path) == ("b",)
    files.remove(tmp_path / "b")
    assert files.names(tmp_path) == ()


def test_a_folder_is_locked_until_released(tmp_path, files):
    release = files.lock(tmp_path)
    assert files.lock(tmp_path) is None
    release()
    release()
    again = files.lock(tmp_path)
    assert again is not None
    again()


def test_a_file_system_without_locks_does_not_stop_a_run(tmp_path, files, monkeypatch):
    def unsupported(*_):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", unsupported)
    release = files.lock(tmp_path)
    assert release is not None
    release()
