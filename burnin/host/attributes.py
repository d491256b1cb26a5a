"""Reading the kernel's one-value files through a host: text, whole numbers, and the reason where there is none."""

from __future__ import annotations

from collections.abc import Iterable

from burnin.errors import Unreadable
from burnin.host.protocol import Host


def read_text(host: Host, path: str) -> str | None:
    """Return a file's text without white space around it; None when it cannot be read or is empty."""
    try:
        text = host.read(path).decode("utf-8", "replace").strip("\0 \t\r\n")
    except Unreadable:
        return None
    return text or None


def read_int(host: Host, path: str, *, base: int = 10) -> int | None:
    """Return the whole number in a file; None when it cannot be read or holds none."""
    text = read_text(host, path)
    try:
        return None if text is None else int(text, base)
    except ValueError:
        return None


def read_number(host: Host, path: str) -> float | None:
    """Return the finite number in a file; None when it cannot be read or holds none."""
    text = read_text(host, path)
    try:
        value = None if text is None else float(text)
    except ValueError:
        return None
    return value if value is not None and abs(value) < float("inf") else None


def read_first(host: Host, paths: Iterable[str]) -> bytes:
    """Return the content of the first of ``paths`` that can be read; empty when none can."""
    for path in paths:
        try:
            return host.read(path)
        except Unreadable:
            continue
    return b""


def reason_unread(host: Host, path: str) -> str:
    """Return why a file cannot be read, in plain words; empty when it can."""
    try:
        host.read(path)
    except Unreadable as error:
        return error.reason
    return ""


def link_name(host: Host, path: str) -> str:
    """Return the last part of what a link leads to; empty when it leads nowhere."""
    real = host.resolve(path)
    return real.rsplit("/", 1)[-1] if real and real != path else ""
