"""Reads a certificate back with the standard library alone; knows nothing of the program that wrote it."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "img", "br", "wbr", "input", "link", "hr"}


@dataclass
class Node:
    tag: str
    attrs: dict[str, str]
    parent: Node | None = None
    children: list[Node | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        return "".join(child if isinstance(child, str) else child.text for child in self.children)

    def find(self, tag: str, **attrs: str) -> list[Node]:
        found = []
        for child in self.children:
            if isinstance(child, Node):
                if child.tag == tag and all(
                    value in child.attrs.get(key.rstrip("_"), "").split() for key, value in attrs.items()
                ):
                    found.append(child)
                found += child.find(tag, **attrs)
        return found

    def everything(self) -> list[Node]:
        return [self] + [
            node for child in self.children if isinstance(child, Node) for node in child.everything()
        ]

    @property
    def exact(self) -> float | None:
        """The figure in a cell as a program reads it."""
        data = self.find("data")
        return float(data[0].attrs["value"]) if data else None


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node(tag="root", attrs={})
        self.here = self.root
        self.troubles: list[str] = []

    def handle_starttag(self, tag, attrs):
        node = Node(tag=tag, attrs={key: value or "" for key, value in attrs}, parent=self.here)
        if len(attrs) != len(node.attrs):
            self.troubles.append(f"attribute twice on {tag}")
        self.here.children.append(node)
        if tag not in VOID:
            self.here = node

    def handle_startendtag(self, tag, attrs):
        self.here.children.append(Node(tag=tag, attrs=dict(attrs), parent=self.here))

    def handle_endtag(self, tag):
        if self.here.tag != tag:
            self.troubles.append(f"</{tag}> closes <{self.here.tag}>")
            return
        self.here = self.here.parent

    def handle_data(self, data):
        self.here.children.append(data)


def read_page(page: bytes) -> Node:
    reader = _Reader()
    reader.feed(page.decode("utf-8"))
    reader.close()
    assert reader.here is reader.root, f"<{reader.here.tag}> is never closed"
    assert reader.troubles == []
    return reader.root


def table(root: Node, name: str) -> list[dict[str, Node]]:
    """Return the rows of the table of class ``name`` as column heading to cell."""
    (found,) = root.find("table", class_=name)
    (head,) = found.find("thead")
    (body,) = found.find("tbody")
    columns = [cell.text.replace("\xa0", " ") for cell in head.find("th")]
    rows = []
    for row in body.find("tr"):
        cells = [cell for cell in row.children if isinstance(cell, Node)]
        if len(cells) == len(columns):
            rows.append(dict(zip(columns, cells, strict=True)))
    return rows


def rounds_to(text: str, exact: float) -> bool:
    """Whether the printed text is the exact figure, rounded half to even or away, at its own number of decimals."""
    plain = text.replace("\u202f", "").replace("\u2212", "-")
    decimals = len(plain.partition(".")[2])
    return abs(float(plain) - exact) <= 0.5000001 * 10.0**-decimals
