"""One mistake of each kind planted in a described machine: found by its rule, and explained in one sentence."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from burnin.host.recorded import RecordedHost
from burnin.plan.loader import load_checklist
from burnin.records.findings import Finding
from burnin.records.inventory import Drive, Inventory, StoragePart
from burnin.records.paperwork import Order, PartOrdered
from burnin.records.plan import Plan
from burnin.report.sentences import sentence
from burnin.testing.machine_tree import Node, parse_tree, write_tree
from burnin.testing.run_builder import RunBuilder

MACHINES = Path(__file__).parents[1] / "fixtures" / "machines"
NODES = {node.path: node for node in parse_tree((MACHINES / "desktop-vr" / "tree.txt").read_text())}
PARTS = ("cpu", "memory", "board", "system", "usb", "displays", "pci", "graphics", "storage", "network")
CARD = "/sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"
CPU = "/sys/devices/system/cpu/cpu0"
TABLE = "/sys/firmware/dmi/tables/DMI"
Change = Mapping[str, bytes | Callable[[bytes], bytes] | None]


def inventory_of(root: Path, change: Change) -> Inventory:
    nodes = dict(NODES)
    for path, content in change.items():
        if content is None:
            nodes = {place: node for place, node in nodes.items() if not place.startswith(path)}
            continue
        data = content(NODES[path].content) if callable(content) else content
        nodes[path] = Node(path=path, kind="hex", content=data)
    host = RecordedHost(str(write_tree(nodes.values(), root)))
    parts = {part: importlib.import_module(f"burnin.probes.{part}").PLUGIN.probe(host) for part in PARTS}
    return Inventory(read_from=host.kind, **parts)


def judge(name: str, inventory: Inventory, **opened: object) -> tuple[Finding, ...]:
    plugin = importlib.import_module(f"burnin.criteria.{name}").PLUGIN
    builder = RunBuilder(Plan(format=1, name="t", title="T"), **opened).machine(inventory=inventory)
    return plugin.judge(builder.view(), {param.name: param.default for param in plugin.spec.params})


def swap_modules(table: bytes) -> bytes:
    """Move the second module beside the first: DIMM_B2 becomes DIMM_A1, the empty A1 becomes B2."""
    return (
        table.replace(b"DIMM_A1\0P0 CHANNEL A", b"DIMM_XX\0P0 CHANNEL X")
        .replace(b"DIMM_B2\0P0 CHANNEL B", b"DIMM_A1\0P0 CHANNEL A")
        .replace(b"DIMM_XX\0P0 CHANNEL X", b"DIMM_B2\0P0 CHANNEL B")
    )


def default_speed(table: bytes) -> bytes:
    """The configured speed (offset 0x20) of both modules back to 4800 MT/s."""
    rated = (6000).to_bytes(2, "little")
    return b"".join(
        piece[: 0x20 - 0x15] + (4800).to_bytes(2, "little") + piece[0x22 - 0x15 :] if index else piece
        for index, piece in enumerate(_split_at_rated(table, rated))
    )


def _split_at_rated(table: bytes, rated: bytes) -> list[bytes]:
    pieces, start = [], 0
    place = table.find(rated)
    while place >= 0:
        pieces.append(table[start:place])
        start, place = place, table.find(rated, place + 0x20)
    return [*pieces, table[start:]]


def unseat(table: bytes) -> bytes:
    """Take the module out of DIMM_B2: size and speeds of the last memory device to 0."""
    start = table.rindex(b"\x11\x5c")
    return table[: start + 0xC] + b"\0\0" + table[start + 0xE :]


MISTAKES: dict[str, tuple[str, Change, str, str]] = {
    "memory at its default speed": ("memory_speed", {TABLE: default_speed}, "below_speed", "4800"),
    "both modules in one channel": ("memory_channels", {TABLE: swap_modules}, "one_channel", "channel A"),
    "one module not seated": (
        "memory_channels", {TABLE: unseat},
        "single_module", "One memory module alone",
    ),
    "card on eight of sixteen lanes": ("link_width", {f"{CARD}/current_link_width": b"8\n"}, "narrow", "8 of 16"),
    "card in a slot of four lanes": (
        "link_width",
        {
            f"{CARD}/current_link_width": b"4\n",
            CARD.rsplit("/", 1)[0] + "/max_link_width": b"4\n",
            CARD.rsplit("/", 1)[0] + "/current_link_width": b"4\n",
        },
        "narrow_slot", "16 lanes",
    ),
    "firmware of 2019": ("firmware_age", {TABLE: lambda table: table.replace(b"11/10/2025", b"11/10/2019")}, "old", "2019-11-10"),
    "outdated microcode": (
        "microcode_age", {"/sys/devices/system/cpu/vulnerabilities/old_microcode": b"Vulnerable\n"}, "old", "outdated",
    ),
    "swap in use": (
        "swap_use", {"/proc/meminfo": b"MemTotal: 32768000 kB\nSwapTotal: 8388604 kB\nSwapFree: 4194300 kB\n"}, "in_use", "MiB",
    ),
    "governor left on saving": ("clock_governor", {f"{CPU}/cpufreq/scaling_governor": b"powersave\n"}, "holds", "powersave"),
}  # fmt: skip


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Inventory:
    return inventory_of(tmp_path_factory.mktemp("good"), {})


@pytest.mark.parametrize("name", MISTAKES)
def test_a_planted_mistake_is_found_and_explained_in_one_sentence(name, tmp_path, good):
    rule, change, slug, word = MISTAKES[name]
    before = judge(rule, good)
    assert slug not in {finding.slug for finding in before}
    assert not any(finding.values.get("advice") for finding in before)
    found = [finding for finding in judge(rule, inventory_of(tmp_path, change)) if finding.slug == slug]
    assert found
    said = sentence(found[0])
    assert word in said
    assert said.count(". ") == 0
    assert said.endswith(".")


def test_a_worn_drive_is_found_from_its_own_report():
    """Drives report through a command, which no recorded tree answers: the report stands in the inventory here."""
    worn = Inventory(
        storage=StoragePart(drives=(Drive(name="nvme0n1", model="Example", wear_pct=31.0, healthy=True),))
    )
    (finding,) = judge("drive_wear", worn)
    assert (finding.slug, "31 %" in sentence(finding)) == ("worn", True)


def test_a_stick_slower_than_it_says_it_can_is_advice(good):
    """The described machine has one: 5 Gbit/s of 10 in a socket of 10."""
    (finding,) = judge("usb_speed", good)
    assert (finding.slug, finding.subject) == ("slow_in_fast_socket", "Example Stick")
    assert "5000 of 10000" in sentence(finding)


def test_a_headset_port_taken_by_a_stick_on_a_machine_with_one_controller(tmp_path, good):
    """The second controller is gone and one more socket is taken: one free fast socket is left of four."""
    checklist = load_checklist("first-generation-tethered")
    gone: Change = {"/sys/bus/usb/devices/usb3": None, "/sys/bus/usb/devices/usb4": None}
    before = judge("checklist_lines", good, checklist=checklist)
    outcomes = {finding.subject: finding.outcome for finding in before}
    assert outcomes == {"memory": "pass", "usb": "pass", "video": "inconclusive", "system": "pass"}
    usb = "/sys/devices/pci0000:00/0000:00:14.0/usb2/2-0:1.0/usb2-port"
    slow = "/sys/devices/pci0000:00/0000:00:14.0/usb1/1-0:1.0/usb1-port"
    bad: Change = {**gone, f"{usb}2/connect_type": b"not used\n", f"{slow}2/connect_type": b"not used\n"}
    findings = {
        item.subject: item
        for item in judge("checklist_lines", inventory_of(tmp_path, bad), checklist=checklist)
    }
    assert (findings["usb"].outcome, findings["usb"].slug, findings["usb"].observed) == (
        "fail",
        "usb_short",
        1.0,
    )
    assert "Example Stick" in sentence(findings["usb"])


def test_the_wrong_part_against_the_order(good):
    order = Order(
        format=1, order="A-7",
        parts=(
            PartOrdered(part="cpu", text="Octo, 8 cores", match="octo"),
            PartOrdered(part="graphics", text="Card Ten", match="card ten"),
            PartOrdered(part="memory", text="2 x 16 GB", match="EX5-6000", count=2, size_gb=16.0),
            PartOrdered(part="storage", text="2 TB drive", match="example drive", size_gb=2000.0),
        ),
    )  # fmt: skip
    findings = judge("order_match", good, order=order)
    assert [item.slug for item in findings] == ["as_ordered", "not_there", "as_ordered", "wrong_size"]
    assert sentence(findings[1]) == (
        "Card Ten: not found; nothing of this kind is called 'card ten', the machine has Example Graphics Card Nine 16 GB."
    )
