"""Every source keeps the contract on this machine, on an empty tree and on the invented machine."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import burnin.sources
from burnin.host.real import RealHost
from burnin.host.simulated import SimulatedHost
from burnin.plugin.contracts import Source
from burnin.records.channels import MISSING

NAMES = sorted(module.name for module in pkgutil.iter_modules(burnin.sources.__path__))
EXPECTED_ABSENT = {
    "hwmon",
    "throttle",
    "energy",
    "memory_errors",
    "pcie_errors",
    "pressure",
    "kernel_log",
    "cpu_clock",
}


@pytest.fixture(params=["this machine", "empty tree", "rehearsal"])
def host(request, machine):
    return {"this machine": RealHost, "empty tree": machine.host, "rehearsal": SimulatedHost}[request.param]()


def plugin(name):
    return importlib.import_module(f"burnin.sources.{name}").PLUGIN


@pytest.mark.parametrize("name", NAMES)
def test_a_source_says_what_it_reads_or_why_not(name, host):
    source = plugin(name)
    assert isinstance(source, Source)
    assert source.spec.title
    description = source.describe(host)
    assert description.channels or description.absent
    assert all(absence.reason and not absence.reason.endswith(".") for absence in description.absent)
    ids = [channel.id for channel in description.channels]
    assert len(set(ids)) == len(ids)
    assert all(identity.count("/") == 2 and identity.startswith(f"{name}/") for identity in ids)
    assert {channel.source for channel in description.channels} <= {name}


@pytest.mark.parametrize("name", NAMES)
def test_a_session_reads_exactly_the_selection(name, host):
    source = plugin(name)
    channels = source.describe(host).channels
    for selection in (channels, channels[::-2], channels[:1], ()):
        session = source.open(host, selection)
        assert len(session.read()) == len(selection)
        session.close()


@pytest.mark.parametrize("name", sorted(EXPECTED_ABSENT))
def test_an_empty_tree_gives_no_reading_of_the_machine_it_lies_on(name, machine):
    assert plugin(name).describe(machine.host()).channels == ()


@pytest.mark.parametrize("name", ["hwmon", "throttle", "cpu_clock", "pressure"])
def test_a_tree_gives_equal_descriptions_and_readings_twice(name):
    first, second = ((plugin(name), SimulatedHost(seed=3)) for _ in range(2))
    described = [source.describe(host) for source, host in (first, second)]
    assert described[0] == described[1]
    readings = [
        source.open(host, description.channels).read()
        for (source, host), description in zip((first, second), described, strict=True)
    ]
    assert readings[0] == readings[1]
    assert MISSING not in {reading.quality for reading in readings[0]}
