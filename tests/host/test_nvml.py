from __future__ import annotations

import builtins
import sys

import pytest

from burnin.errors import Unreadable
from burnin.host.nvml import VALUES, Nvml


@pytest.fixture
def card(graphics_library):
    return Nvml(graphics_library).cards()[0]


def test_every_value_is_read_in_its_unit(card, graphics_library):
    graphics_library.fan = 40
    graphics_library.ecc = {0: 2, 1: 1}
    values = {name: card.value(name) for name in VALUES if name != "link-replays"}
    assert values == {
        "temperature": 45.0, "memory-temperature": 52.0, "slowdown-temperature": 90.0, "shutdown-temperature": 95.0,
        "power": 586.0, "power-limit": 700.0, "clock": 1980.0, "memory-clock": 2619.0, "load": 99.0,
        "memory-used": 8.0, "fan": 40.0, "reasons": 1.0, "corrected-errors": 2.0, "uncorrected-errors": 1.0,
    }  # fmt: skip
    assert all(isinstance(value, float) for value in values.values())


def test_fields_of_any_type_are_read(card, graphics_library):
    for kind, name in enumerate(("dVal", "uiVal", "ulVal", "ullVal", "sllVal", "siVal", "usVal")):
        graphics_library.fields[82] = (name, kind, 50 + kind)
        assert card.value("memory-temperature") == 50.0 + kind


@pytest.mark.parametrize(
    ("code", "reason"),
    [
        (3, "the card does not have it"),
        (4, "administrator's rights needed"),
        (10, "the driver did not answer in time"),
        (15, "the card has fallen off the bus"),
        (999, "error 999"),
    ],
)
def test_refusals_are_told_in_plain_words(card, graphics_library, code, reason):
    def refuse(*_):
        raise graphics_library.NVMLError(code)

    graphics_library.nvmlDeviceGetClockInfo = refuse
    with pytest.raises(Unreadable) as caught:
        card.value("clock")
    assert caught.value.reason == reason


def test_a_function_the_library_lacks_is_told(card, graphics_library):
    graphics_library.nvmlDeviceGetClockInfo = None
    with pytest.raises(Unreadable, match="not known to the installed library"):
        card.value("clock")


def test_newer_and_older_names_of_the_reasons(card, graphics_library):
    graphics_library.nvmlDeviceGetCurrentClocksEventReasons = lambda handle: 0x4
    assert card.value("reasons") == 4.0

    def refuse(handle):
        raise graphics_library.NVMLError(3)

    graphics_library.nvmlDeviceGetCurrentClocksEventReasons = refuse
    assert card.value("reasons") == 1.0


def test_a_card_without_uuid_is_named_by_its_number(card, graphics_library):
    assert (card.name, card.key) == ("Invented card", "GPU-0000-rehearsal")
    graphics_library.uuid = graphics_library.NVMLError(3)
    assert card.key == "card0"


def test_cards_that_cannot_be_opened_are_left_out(graphics_library):
    graphics_library.count = 2
    assert len(Nvml(graphics_library).cards()) == 1
    graphics_library.lost = True
    assert Nvml(graphics_library).cards() == ()


def test_no_driver_and_no_library_are_told(graphics_library, monkeypatch):
    graphics_library.driver = False
    with pytest.raises(Unreadable, match="found no driver"):
        Nvml(graphics_library)
    plain = builtins.__import__

    def without(name, *rest):
        if name == "pynvml":
            raise ImportError(name)
        return plain(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(Unreadable, match="not installed"):
        Nvml()


def test_the_installed_library_is_taken_by_default(graphics_library, monkeypatch):
    monkeypatch.setitem(sys.modules, "pynvml", graphics_library)
    nvml = Nvml()
    assert len(nvml.cards()) == 1
    nvml.close()
    nvml.close()
    assert graphics_library.shut == 1


def test_a_field_the_card_has_not_is_told_and_power_falls_back(card, graphics_library):
    graphics_library.fields.clear()
    with pytest.raises(Unreadable, match="the card does not have it"):
        card.value("memory-temperature")
    assert card.value("power") == 474.0
