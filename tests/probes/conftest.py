"""Machines of a few files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from burnin.host.recorded import RecordedHost
from burnin.testing.machine_tree import Node, write_tree


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
