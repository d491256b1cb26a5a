from __future__ import annotations

from types import SimpleNamespace

import pytest

from burnin.host import card_facts as door
from burnin.host.card_facts import card_facts, link_limit_gb_s
from burnin.host.wgpu_door import Adapter


def adapter(**changes) -> Adapter:
    about = {
        "index": 0, "name": "Invented 9", "kind": "card", "driver": "1.0", "vendor_id": 0x1A2B, "device_id": 0x2330,
        "software": False,
    }  # fmt: skip
    return Adapter(**(about | changes))


@pytest.mark.parametrize(
    ("generation", "lanes", "right"),
    [(1, 16, 4.0), (2, 4, 2.0), (3, 16, 15.754), (4, 16, 31.508), (5, 16, 63.015), (0, 0, 0.0)],
)
def test_link_limits(generation, lanes, right):
    """Rates of one direction as the specification's tables round them: 4, 2, 15.75, 31.5 and 63 GB/s."""
    assert link_limit_gb_s(generation, lanes) == pytest.approx(right, abs=5e-3)


class Library:
    """A management library with two equal cards and one other."""

    class NVMLError(Exception):
        pass

    def __init__(self, ids=(0x23301A2B, 0x23301A2B, 0x99991A2B), *, link=(5, 16)):
        self.ids, self.link_now = ids, link

    def nvmlInit(self):  # noqa: N802 - the library's own name
        pass

    def nvmlDeviceGetCount(self):  # noqa: N802 - the library's own name
        return len(self.ids)

    def nvmlDeviceGetHandleByIndex(self, index):  # noqa: N802 - the library's own name
        return index

    def nvmlDeviceGetPciInfo(self, handle):  # noqa: N802 - the library's own name
        return SimpleNamespace(pciDeviceId=self.ids[handle])

    def nvmlDeviceGetMemoryInfo(self, handle):  # noqa: N802 - the library's own name
        return SimpleNamespace(total=(handle + 1) << 30, free=1 << 29)

    def nvmlDeviceGetEnforcedPowerLimit(self, handle):  # noqa: N802 - the library's own name
        return 350000

    def nvmlDeviceGetCurrPcieLinkGeneration(self, handle):  # noqa: N802 - the library's own name
        if self.link_now is None:
            raise self.NVMLError
        return self.link_now[0]

    def nvmlDeviceGetCurrPcieLinkWidth(self, handle):  # noqa: N802 - the library's own name
        return self.link_now[1]


def test_a_card_of_the_library():
    facts = card_facts(adapter(), Library())
    assert (facts.memory_bytes, facts.free_bytes, facts.power_limit_w) == (1 << 30, 1 << 29, 350.0)
    assert facts.why == "2 equal cards: the first one's figures"
    assert facts.link() == (5, 16)


def test_a_link_that_is_not_told():
    facts = card_facts(adapter(device_id=0x9999), Library(link=None))
    assert (facts.memory_bytes, facts.why, facts.link()) == (3 << 30, "", (0, 0))


def test_a_software_renderer_has_nothing_of_its_own():
    facts = card_facts(adapter(software=True), Library())
    assert (facts.memory_bytes, facts.link()) == (0, (0, 0))
    assert "software" in facts.why


def kernel_tree(tmp_path, **files):
    folder = tmp_path / "0000:03:00.0"
    folder.mkdir()
    for name, text in {"vendor": "0x1a2b", "device": "0x2330", **files}.items():
        (folder / name).write_text(text + "\n")
    (tmp_path / "0000:00:00.0").mkdir()
    return tmp_path


def test_a_card_of_the_kernels_files(tmp_path, monkeypatch):
    tree = kernel_tree(
        tmp_path, mem_info_vram_total="17163091968", mem_info_vram_used="91968",
        current_link_speed="16.0 GT/s PCIe", current_link_width="8",
    )  # fmt: skip
    monkeypatch.setattr(door, "_DEVICES", tree)
    facts = card_facts(adapter(), Library(ids=()))
    assert (facts.memory_bytes, facts.free_bytes, facts.why) == (17163091968, 17163000000, "")
    assert facts.link() == (4, 8)


def test_a_card_whose_driver_tells_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "_DEVICES", kernel_tree(tmp_path, current_link_speed="Unknown"))
    facts = card_facts(adapter(), Library(ids=()))
    assert (facts.memory_bytes, facts.free_bytes, facts.link()) == (0, 0, (0, 0))
    assert "does not state it" in facts.why


def test_a_card_nobody_knows(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "_DEVICES", tmp_path / "none")
    assert "neither" in card_facts(adapter(), Library(ids=())).why


def test_without_the_library_the_kernel_is_asked(tmp_path, monkeypatch):
    monkeypatch.setattr(door, "_DEVICES", kernel_tree(tmp_path, mem_info_vram_total="5"))
    monkeypatch.setattr(door, "_library", lambda: (_ for _ in ()).throw(ImportError("no")))
    assert card_facts(adapter()).memory_bytes == 5


def test_the_library_is_the_installed_one():
    pytest.importorskip("pynvml")
    assert door._library().__name__ == "pynvml"
