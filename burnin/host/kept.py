"""Files of the kernel kept open and turned into readings, one value for one channel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from burnin.errors import ParseError, Unreadable
from burnin.host.protocol import Host, KeptFile
from burnin.records.channels import Reading, missing


@dataclass(frozen=True, kw_only=True)
class FileValue:
    """How one channel's reading is made of files.

    Attributes:
        paths: Files to read, absolute on the machine; all must be readable, the first one gives the reason if not.
        make: Turns their contents into a reading; may raise ``ParseError``.
    """

    paths: tuple[str, ...]
    make: Callable[..., Reading]


class FileReadings:
    """A sweep over kept files. A file that is gone or garbled costs its own channel only, and is tried again.

    Args:
        host: The machine.
        values: One for each channel, in channel order.
    """

    def __init__(self, host: Host, values: Sequence[FileValue]) -> None:
        self._host = host
        self._values = tuple(values)
        self._kept: dict[str, KeptFile] = {}
        for value in self._values:
            for path in value.paths:
                self._try_open(path)

    def _try_open(self, path: str) -> None:
        if path not in self._kept:
            try:
                self._kept[path] = self._host.keep_open(path)
            except Unreadable:
                return  # the reading says so, each time it is asked

    def _content(self, path: str) -> bytes:
        kept = self._kept.get(path)
        if kept is None:
            kept = self._kept[path] = self._host.keep_open(path)
        return kept.read()

    def _one(self, value: FileValue) -> Reading:
        try:
            return value.make(*(self._content(path) for path in value.paths))
        except Unreadable as error:
            return missing(error.reason)
        except ParseError as error:
            return missing(f"garbled: {error.message}")

    def read(self) -> tuple[Reading, ...]:
        """Return one reading for each channel."""
        return tuple(self._one(value) for value in self._values)

    def close(self) -> None:
        """Give all descriptors back."""
        for kept in self._kept.values():
            kept.close()
        self._kept.clear()
