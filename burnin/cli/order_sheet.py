"""An order sheet made from a machine as found, to start the next order from."""

from __future__ import annotations

from pathlib import Path

from burnin.cli.outcome import write_whole
from burnin.cli.screen import aside
from burnin.records.inventory import Inventory
from burnin.records.view import RunView


def write_order(view: RunView, path: Path) -> None:
    """Write the order sheet.

    Raises:
        InputError: the file cannot be written.
    """
    write_whole(path, order_text(view.inventory).encode("utf-8"))
    aside(f"Order sheet written: {path}. Fill in order, customer and serial.")


def order_text(inventory: Inventory) -> str:
    """Return the order sheet as TOML."""
    board = inventory.board
    lines = [
        "# Made from a machine as found. Fill in order, customer and serial; delete what was not ordered.",
        "format = 1",
        'order = "fill in"',
        'customer = ""',
        f"serial = {_quoted(board.system_serial or '')}",
        f"machine = {_quoted(board.system_product or '')}",
    ]
    for part, text, count, size_gb in _parts(inventory):
        lines += [
            "",
            "[[parts]]",
            f"part = {_quoted(part)}",
            f"text = {_quoted(text)}",
            f"match = {_quoted(text)}",
        ]
        lines += [f"count = {count}"] if count != 1 else []
        lines += [f"size_gb = {size_gb:g}"] if size_gb else []
    speeds = {module.configured_mts for module in inventory.memory.modules if module.configured_mts}
    if len(speeds) == 1:
        lines += ["", "[targets]", f"memory_speed_mts = {speeds.pop()}"]
    return "\n".join(lines) + "\n"


def _parts(inventory: Inventory) -> list[tuple[str, str, int, float | None]]:
    parts: list[tuple[str, str, int, float | None]] = []
    if inventory.cpu.model:
        parts.append(("cpu", inventory.cpu.model, 1, None))
    if inventory.board.product:
        parts.append(("board", inventory.board.product, 1, None))
    modules = [module for module in inventory.memory.modules if module.size_bytes]
    for name in dict.fromkeys(module.part_number or "" for module in modules):
        same = [module for module in modules if (module.part_number or "") == name]
        size = same[0].size_bytes or 0
        parts.append(("memory", name, len(same), size / (1 << 30)))
    parts += [("graphics", card.name, 1, None) for card in inventory.graphics.cards if not card.software]
    parts += [("storage", drive.model, 1, None) for drive in inventory.storage.drives if drive.model]
    return parts


def _quoted(text: str) -> str:
    escaped = "".join(
        f"\\u{ord(char):04X}" if ord(char) < 32 or ord(char) == 127 else char
        for char in text.replace("\\", "\\\\").replace('"', '\\"')
    )
    return f'"{escaped}"'
