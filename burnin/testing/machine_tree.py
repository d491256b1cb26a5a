r"""Machines described in one text file, and the folders they stand for: for tests of probes and sources.

A description has one line for each file, so that a machine of hundreds of one-value files stays one readable file:

    # comment
    dir  /sys/class/drm
    link /sys/bus/usb/devices/usb1 -> ../../../devices/pci0000:00/0000:00:14.0/usb1
    text /sys/devices/pci0000:00/0000:00:14.0/usb1/speed = "480\n"
    hex  /sys/class/drm/card0-HDMI-A-1/edid = 00ffffffffffff00

Text is quoted as in JSON. Folders on the way are made as needed.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from burnin.errors import InputError

Kind = Literal["dir", "link", "text", "hex"]


@dataclass(frozen=True, kw_only=True)
class Node:
    """One thing in a machine's tree.

    Attributes:
        path: Absolute path on the machine.
        kind: Folder, link, or file written as text or as hex digits.
        content: Content of a file; target of a link as bytes; empty for a folder.
    """

    path: str
    kind: Kind
    content: bytes = b""


def parse_tree(text: str, *, name: str = "machine tree") -> tuple[Node, ...]:
    """Return the nodes of a description.

    Args:
        text: The description.
        name: What to call it in messages.

    Raises:
        InputError: a line has none of the four forms, or leads out of the tree.
    """
    return tuple(_nodes(text, name))


def _nodes(text: str, name: str) -> Iterator[Node]:
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            yield _node(line)
        except ValueError as error:
            raise InputError(
                f"{name}, line {number}: {error}; expected 'dir PATH', 'link PATH -> TARGET', 'text PATH = \"...\"' "
                "or 'hex PATH = ...'",
                slug="machine-tree",
            ) from None


def _node(line: str) -> Node:
    kind, _, rest = line.partition(" ")
    rest = rest.strip()
    path, mark, value = rest.partition(" -> " if kind == "link" else " = ")
    if not path.startswith("/") or ".." in path.split("/"):
        raise ValueError(f"found the path {path[:60]!r}")
    if kind == "dir" and not mark:
        return Node(path=path, kind="dir")
    if kind == "link" and mark:
        return Node(path=path, kind="link", content=value.encode())
    if kind == "text" and mark:
        return Node(path=path, kind="text", content=str(json.loads(value)).encode("utf-8", "surrogateescape"))
    if kind == "hex" and (mark or rest.endswith(" =")):
        return Node(path=path.removesuffix(" ="), kind="hex", content=bytes.fromhex(value))
    raise ValueError(f"found {line[:60]!r}")


def write_tree(nodes: Iterable[Node], root: Path) -> Path:
    """Write the nodes below ``root`` and return it."""
    for node in nodes:
        place = root / node.path.lstrip("/")
        if node.kind == "dir":
            place.mkdir(parents=True, exist_ok=True)
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        if node.kind == "link":
            place.symlink_to(node.content.decode())
        else:
            place.write_bytes(node.content)
    return root


def describe(nodes: Iterable[Node]) -> str:
    """Return the description of nodes, sorted by path; what ``parse_tree`` reads back."""
    lines = []
    for node in sorted(nodes, key=lambda item: item.path):
        match node.kind:
            case "dir":
                lines.append(f"dir {node.path}")
            case "link":
                lines.append(f"link {node.path} -> {node.content.decode()}")
            case "text":
                quoted = json.dumps(node.content.decode("utf-8", "surrogateescape"))
                lines.append(f"text {node.path} = {quoted}")
            case "hex":
                lines.append(f"hex {node.path} = {node.content.hex()}")
    return "\n".join(lines) + "\n"


def file_node(path: str, content: bytes) -> Node:
    """Return a file's node: text where the bytes are plain text, hex digits otherwise."""
    try:
        plain = all(char.isprintable() or char in "\n\t" for char in content.decode())
    except UnicodeDecodeError:
        plain = False
    return Node(path=path, kind="text" if plain else "hex", content=content)
