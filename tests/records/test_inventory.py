from __future__ import annotations

import pytest

from burnin.records.inventory import Cache, CpuPart, SystemPart, UsbConnector, UsbDevice, with_reasons


def test_a_reason_is_kept_for_what_has_no_value_only():
    part = with_reasons(
        SystemPart(kernel="6.1", unknown={"machine": "older"}), {"kernel": "x", "host_name": "not there"}
    )
    assert part.unknown == {"machine": "older", "host_name": "not there"}
    assert part.kernel == "6.1"


def test_the_last_cache_level_leaves_instruction_caches_out():
    caches = (
        Cache(level=1, kind="Data", size_bytes=1),
        Cache(level=3, kind="Unified", size_bytes=3),
        Cache(level=4, kind="Instruction", size_bytes=4),
    )
    assert CpuPart(caches=caches).last_level_cache_bytes == 3
    assert CpuPart().last_level_cache_bytes is None


@pytest.mark.parametrize(
    ("kind", "taken", "free"),
    [
        ("hotplug", False, True),
        ("unknown", False, True),
        ("hardwired", False, False),
        ("not used", False, False),
        ("hotplug", True, False),
    ],
)
def test_a_connector_is_free_when_reachable_and_empty(kind, taken, free):
    device = UsbDevice(path="1-1", vendor_id="1", product_id="2") if taken else None
    assert UsbConnector(name="a", speed_mbit_s=480.0, controller="c", kind=kind, device=device).free is free
