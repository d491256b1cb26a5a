from __future__ import annotations

from burnin.criteria.usb_speed import PLUGIN
from burnin.records.inventory import Inventory, UsbConnector, UsbDevice, UsbPart
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder


def device(speed: float | None, able: float | None) -> UsbDevice:
    return UsbDevice(
        path="2-1", vendor_id="1", product_id="2", name="Stick", speed_mbit_s=speed, capable_mbit_s=able
    )


def judge(item: UsbDevice | None, socket_mbit_s: float = 0.0):
    sockets = (UsbConnector(name="usb2-port1", speed_mbit_s=socket_mbit_s, controller="c", device=item),)
    part = UsbPart(present=True, devices=(item,) if item else (), connectors=sockets if socket_mbit_s else ())
    builder = RunBuilder(Plan(format=1, name="t", title="T")).machine(inventory=Inventory(usb=part))
    (finding,) = PLUGIN.judge(builder.view(), {})
    return finding


def test_full_speed_passes():
    assert judge(device(5000.0, 5000.0)).slug == "full"


def test_a_fast_device_on_a_slow_line_is_advice_and_the_socket_tells_why():
    finding = judge(device(480.0, 5000.0), 10000.0)
    assert (finding.outcome, finding.slug, finding.values["socket"]) == (
        "pass",
        "slow_in_fast_socket",
        "usb2-port1",
    )
    assert judge(device(480.0, 5000.0), 480.0).slug == "slow_socket"
    assert judge(device(480.0, 5000.0)).values["socket"] == "2-1"


def test_devices_that_state_nothing_are_open_and_hold_nothing_up():
    for item in (device(480.0, None), device(None, 5000.0), None):
        finding = judge(item)
        assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "not_known", False)
