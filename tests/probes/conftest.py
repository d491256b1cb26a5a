"""Described machines as hosts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from burnin.host.recorded import RecordedHost
from burnin.testing.machine_tree import Node, parse_tree, write_tree

MACHINES = Path(__file__).parents[1] / "fixtures" / "machines"


@pytest.fixture
def machine(tmp_path: Path) -> Callable[..., RecordedHost]:
    """A described machine by name."""

    def build(name: str) -> RecordedHost:
        return RecordedHost(str(write_tree(parse_tree((MACHINES / name / "tree.txt").read_text()), tmp_path)))

    return build


@pytest.fixture
def tree(tmp_path: Path) -> Callable[[dict[str, str | bytes]], RecordedHost]:
    """A machine of a few files."""

    def build(files: dict[str, str | bytes]) -> RecordedHost:
        nodes = [Node(path="/proc", kind="dir"), Node(path="/sys", kind="dir")]
        for path, content in files.items():
            if isinstance(content, str) and content.startswith("-> "):
                nodes.append(Node(path=path, kind="link", content=content[3:].encode()))
            elif content == "dir":
                nodes.append(Node(path=path, kind="dir"))
            else:
                data = content.encode() if isinstance(content, str) else content
                nodes.append(Node(path=path, kind="hex", content=data))
        return RecordedHost(str(write_tree(nodes, tmp_path)))

    return build
