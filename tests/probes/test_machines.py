"""Whole machines: every probe on every described tree gives exactly the inventory kept beside it."""

from __future__ import annotations

import importlib.util
import json
import time
from pathlib import Path

import msgspec
import pytest

from burnin.host.recorded import RecordedHost
from burnin.plugin.contracts import Probe
from burnin.probes import (
    board,
    cpu,
    displays,
    graphics,
    memory,
    network,
    pci,
    storage,
    system,
    usb,
)
from burnin.records.inventory import Inventory
from burnin.testing.machine_tree import parse_tree, write_tree

MACHINES = Path(__file__).parents[1] / "fixtures" / "machines"
CASES = sorted(path.parent for path in MACHINES.glob("*/tree.txt"))
IDS = [case.name for case in CASES]
PLUGINS = [
    module.PLUGIN for module in (board, cpu, displays, graphics, memory, network, pci, storage, system, usb)
]


def inventory_of(host: RecordedHost) -> Inventory:
    parts = {plugin.spec.part: plugin.probe(host) for plugin in PLUGINS}
    return Inventory(read_from=host.kind, **parts)


def host_of(case: Path, root: Path) -> RecordedHost:
    return RecordedHost(str(write_tree(parse_tree((case / "tree.txt").read_text(), name=case.name), root)))


def test_there_are_cases_with_their_origin():
    assert len(CASES) >= 6
    assert all((case / "provenance.md").stat().st_size > 200 for case in CASES)


def test_every_probe_fits_the_contract_and_fills_a_part_of_its_own():
    assert all(isinstance(plugin, Probe) for plugin in PLUGINS)
    parts = [plugin.spec.part for plugin in PLUGINS]
    assert len(set(parts)) == len(parts)
    assert set(parts) | {"read_from", "with_rights"} == set(Inventory.__struct_fields__)


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_the_inventory_is_the_one_kept(case, tmp_path):
    """The kept inventories were read line by line against the trees when they were added."""
    found = json.loads(msgspec.json.encode(inventory_of(host_of(case, tmp_path))))
    kept = json.loads((case / "inventory.json").read_text())
    assert found == kept


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_an_inventory_survives_writing_and_reading(case, tmp_path):
    found = inventory_of(host_of(case, tmp_path))
    assert msgspec.json.decode(msgspec.json.encode(found), type=Inventory) == found


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_what_has_no_value_has_a_reason(case, tmp_path):
    found = inventory_of(host_of(case, tmp_path))
    for plugin in PLUGINS:
        part = getattr(found, plugin.spec.part)
        for name in part.__struct_fields__:
            if getattr(part, name) is None and "*" not in part.unknown:
                assert part.unknown.get(name), f"{plugin.spec.part}.{name} has neither value nor reason"


def test_a_large_tree_is_read_well_under_a_second(tmp_path):
    host = host_of(MACHINES / "server-64-cpus", tmp_path / "a")
    other = host_of(MACHINES / "desktop-vr", tmp_path / "b")
    start = time.perf_counter()
    inventory_of(host)
    inventory_of(other)
    assert time.perf_counter() - start < 1.0


def test_the_composed_machine_is_what_its_script_composes(capsys):
    spec = importlib.util.spec_from_file_location("compose", MACHINES / "compose.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.main()
    assert capsys.readouterr().out == (MACHINES / "desktop-vr" / "tree.txt").read_text()
