from __future__ import annotations

import sys
from types import SimpleNamespace

import pytest

from burnin.errors import BurninError
from burnin.host import wgpu_door
from burnin.host.wgpu_door import SOFTWARE_NOTE, adapters, open_card


class GPUError(Exception):
    pass


class Raw:
    """An adapter as the library shows it."""

    def __init__(self, name: str, kind: str, *, opens: bool = True):
        self.info = {
            "device": name, "adapter_type": kind, "description": "1.0", "vendor_id": 0x1A2B, "device_id": 7
        }  # fmt: skip
        self.features = {"timestamp-query"}
        self.limits = {"max-buffer-size": 1 << 30, "max-storage-buffer-binding-size": 1 << 28}
        self.opens = opens

    def request_device_sync(self, *, required_features, required_limits):
        if not self.opens:
            raise GPUError("device lost")
        return SimpleNamespace(features=required_features, limits=required_limits, queue=SimpleNamespace())


def library_of(*raw, trouble: Exception | None = None):
    def enumerate_adapters_sync():
        if trouble:
            raise trouble
        return raw

    return SimpleNamespace(
        GPUError=GPUError, gpu=SimpleNamespace(enumerate_adapters_sync=enumerate_adapters_sync)
    )


@pytest.fixture
def machine(monkeypatch):
    def has(*raw, **how):
        monkeypatch.setattr(wgpu_door, "_library", lambda: library_of(*raw, **how))

    return has


def test_without_the_library_loads_say_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "wgpu", None)
    with pytest.raises(BurninError, match="wgpu is not installed") as caught:
        open_card()
    assert caught.value.slug == "no_graphics"
    assert "gpu" in caught.value.hint


def test_every_load_is_found_without_the_library(monkeypatch):
    from burnin.plugin.discovery import usable

    monkeypatch.setitem(sys.modules, "wgpu", None)
    names = {name for name in usable("loads") if name.startswith("graphics_")}
    assert len(names) == 7
    for name in sorted(names):
        from burnin.plugin.contracts import LoadContext

        with pytest.raises(BurninError, match="not installed"):
            usable("loads")[name].open(LoadContext(seed=1), {})


def test_an_empty_list_is_explained(machine):
    machine()
    assert adapters() == ()
    with pytest.raises(BurninError, match="support libraries are missing") as caught:
        open_card()
    assert "libegl1" in caught.value.hint


def test_a_loader_that_fails_is_told(machine):
    machine(trouble=RuntimeError("no loader"))
    with pytest.raises(BurninError, match="no loader"):
        adapters()


def test_software_renderers_come_last_and_are_recognised(machine):
    machine(
        Raw("Soft", "CPU"), Raw("Real", "DiscreteGPU"), Raw("Small", "IntegratedGPU"), Raw("Odd", "Unknown")
    )
    kinds = [each.kind for each in adapters()]
    assert kinds == [SOFTWARE_NOTE, "card", "graphics in the processor", "adapter of unknown kind"]
    assert [open_card(index).facts.name for index in range(4)] == ["Real", "Small", "Odd", "Soft"]
    assert open_card(3).facts.software
    card = open_card(0)
    assert (card.timed, card.timed_between, card.host_visible, card.tick_ns) == (True, False, False, 1.0)
    assert card.most_binding_bytes == 1 << 28


def test_a_card_that_is_not_there(machine):
    machine(Raw("Real", "DiscreteGPU"))
    with pytest.raises(BurninError, match="no graphics card 1: the machine shows 1"):
        open_card(1)


def test_a_card_the_driver_does_not_open(machine):
    machine(Raw("Real", "DiscreteGPU", opens=False))
    with pytest.raises(BurninError, match="Real: the driver does not open it: device lost"):
        open_card()
