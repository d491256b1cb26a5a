from __future__ import annotations

from burnin.errors import ParseError, Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.records.channels import MISSING, Reading


class Files:
    """A host that counts what it holds open."""

    def __init__(self, **content: bytes) -> None:
        self.content = content
        self.opened: list[str] = []
        self.closed = 0

    def keep_open(self, path):
        if path not in self.content:
            raise Unreadable(path, "not there")
        self.opened.append(path)
        return Kept(self, path)


class Kept:
    def __init__(self, host, path) -> None:
        self.host, self.path = host, path

    def read(self):
        if self.path not in self.host.content:
            raise Unreadable(self.path, "device gone")
        return self.host.content[self.path]

    def close(self):
        self.host.closed += 1


def number(data, *more):
    if not data.isdigit():
        raise ParseError("number", field="value", found=repr(data), expected="digits")
    return Reading(value=float(int(data) + sum(map(int, more))))


def test_files_are_opened_once_and_shared():
    host = Files(a=b"1", b=b"2")
    session = FileReadings(
        host, [FileValue(paths=("a",), make=number), FileValue(paths=("b", "a"), make=number)]
    )
    assert [reading.value for reading in session.read()] == [1.0, 3.0]
    host.content["a"] = b"10"
    assert [reading.value for reading in session.read()] == [10.0, 12.0]
    assert host.opened == ["a", "b"]
    session.close()
    assert host.closed == 2


def test_a_file_that_is_not_there_yet_is_tried_at_each_sweep():
    host = Files()
    session = FileReadings(host, [FileValue(paths=("a",), make=number)])
    assert session.read()[0].reason == "not there"
    host.content["a"] = b"7"
    assert session.read()[0].value == 7.0


def test_one_bad_file_costs_its_own_channel_only():
    host = Files(a=b"1", b=b"2")
    session = FileReadings(host, [FileValue(paths=(name,), make=number) for name in ("a", "b")])
    del host.content["a"]
    host.content["b"] = b"x"
    first, second = session.read()
    assert (first.quality, first.reason) == (MISSING, "device gone")
    assert (second.quality, second.reason) == (MISSING, "garbled: number, value: found b'x'; expected digits")
