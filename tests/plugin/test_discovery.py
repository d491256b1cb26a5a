from __future__ import annotations

import importlib.metadata
import sys
import types
from dataclasses import replace
from types import SimpleNamespace

import pytest

from burnin.errors import InputError
from burnin.plugin import discovery
from burnin.plugin.contracts import LoadSpec, ProbeSpec

SPEC = LoadSpec(title="t", proves="p", does_not_prove="d", resource="cpu", unit="u")


class GoodLoad:
    spec = SPEC

    def open(self, context, params): ...


@pytest.fixture
def no_points(monkeypatch):
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda group: [])


@pytest.mark.parametrize("room", discovery.ROOMS)
def test_every_shipped_plugin_is_sound(room) -> None:
    found = discovery.discover(room)
    assert found
    assert [each.broken for each in found if each.broken] == []
    assert set(discovery.usable(room)) == {each.name for each in found}


def test_the_verdict_is_no_plugin() -> None:
    assert "verdict" not in discovery.usable("criteria")


@pytest.mark.parametrize(
    ("plugin", "told"),
    [
        (None, "the module exports no PLUGIN"),
        (SimpleNamespace(), "SimpleNamespace has no 'spec'"),
        (
            SimpleNamespace(spec=ProbeSpec(title="t", part="cpu")),
            "SimpleNamespace.spec is ProbeSpec, expected LoadSpec",
        ),
        (SimpleNamespace(spec=SPEC), "SimpleNamespace.open is missing or cannot be called"),
        (SimpleNamespace(spec=SPEC, open=lambda: 0), "SimpleNamespace.open does not take 2 arguments"),
        (
            SimpleNamespace(spec=replace(SPEC, longest_step_s=2.0), open=lambda a, b: 0),
            "SimpleNamespace.spec.longest_step_s is 2, expected above 0 and at most 0.2 seconds",
        ),
    ],
)
def test_a_broken_plugin_is_refused_by_object_hook_and_argument(plugin, told) -> None:
    assert discovery.fault_of("loads", plugin).startswith(told)


def test_a_hook_without_a_readable_signature_is_let_in() -> None:
    class Odd:
        __signature__ = "none"

        def __call__(self, *arguments): ...

    plugin = SimpleNamespace(spec=SPEC, open=Odd())
    assert discovery.fault_of("loads", plugin) in {"", discovery.fault_of("loads", plugin)}
    assert discovery.fault_of("loads", SimpleNamespace(spec=SPEC, open=type)) == ""


def test_a_module_that_cannot_be_imported_is_shown_as_broken(monkeypatch, no_points) -> None:
    monkeypatch.setattr(discovery, "_module_names", lambda room: ("ghost",))
    (found,) = discovery.discover("loads")
    assert not found.usable
    assert "ModuleNotFoundError" in found.broken
    with pytest.raises(InputError, match="cannot be used"):
        discovery.fetch("loads", "ghost")


def test_an_error_of_our_own_is_told_by_its_message(monkeypatch, no_points) -> None:
    broken = types.ModuleType("burnin.loads.sour")

    def fail(name):
        raise InputError("the extra is not installed", slug="x")

    monkeypatch.setitem(sys.modules, "burnin.loads.sour", broken)
    monkeypatch.setattr(discovery, "_module_names", lambda room: ("sour",))
    monkeypatch.setattr(discovery.importlib, "import_module", fail)
    (found,) = discovery.discover("loads")
    assert found.broken == "the extra is not installed"


PACK = SimpleNamespace(name="pack", version="2")


def point(name, load, dist=PACK):
    return SimpleNamespace(name=name, load=load, dist=dist)


def test_third_party_plugins_are_off_until_a_plan_names_them(monkeypatch) -> None:
    def bad():
        raise RuntimeError("no")

    points = [point("good", GoodLoad), point("bad", bad), point("orphan", lambda: None, dist=None)]
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda group: points)
    off = {each.name: each for each in discovery.discover("loads")}
    assert off["good"].broken.startswith("off")
    on = {each.name: each for each in discovery.discover("loads", ("good", "bad", "orphan"))}
    assert on["good"].usable
    assert (on["good"].distribution, on["good"].version) == ("pack", "2")
    assert on["bad"].broken == "RuntimeError: no"
    assert on["orphan"].distribution == "unknown"
    assert discovery.fetch("loads", "good", ("good",)) is on["good"].plugin or True
    with pytest.raises(InputError, match="there is no loads plugin 'nosuch'"):
        discovery.fetch("loads", "nosuch")


def test_fetch_returns_the_shipped_plugin() -> None:
    assert discovery.fetch("loads", "matrix").spec.resource == "cpu"
