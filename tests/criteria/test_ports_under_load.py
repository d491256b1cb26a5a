from __future__ import annotations

from burnin.criteria.ports_under_load import PLUGIN
from burnin.records.events import InventoryTaken, KernelLine
from burnin.records.inventory import (
    DisplayOutput,
    DisplayPart,
    Inventory,
    NetworkPart,
    NetworkPort,
    UsbConnector,
    UsbDevice,
    UsbPart,
)
from burnin.records.plan import Plan
from burnin.testing.run_builder import RunBuilder

STICK = UsbDevice(path="1-2", vendor_id="1111", product_id="2222", name="Stick")


def look(*, device=True, over=0, state="connected", losses=0, errors=0, present=True) -> Inventory:
    connector = UsbConnector(name="usb1-port2", speed_mbit_s=480, controller="c", over_current=over)
    return Inventory(
        usb=UsbPart(present=present, connectors=(connector,), devices=(STICK,) if device else ()),
        displays=DisplayPart(
            present=True, outputs=(DisplayOutput(name="card0-HDMI-A-1", kind="hdmi", state=state),)
        ),
        network=NetworkPart(
            ports=(
                NetworkPort(name="eth0", link_losses=losses, receive_errors=errors),
                NetworkPort(name="wl0"),
            )
        ),
    )


def judge(*looks: Inventory, lines=(), **params):
    builder = RunBuilder(Plan(format=1, name="t", title="T"))
    builder.add(*(InventoryTaken(inventory=each) for each in looks))
    builder.add(*(KernelLine(what="usb", text=line) for line in lines))
    return PLUGIN.judge(builder.view(), params)


def slugs(*looks, **more):
    return [(each.outcome, each.slug, each.subject) for each in judge(*looks, **more)]


def test_ports_that_hold_pass():
    assert slugs(look(), look()) == [("pass", "quiet", "")]


def test_one_look_is_not_two():
    (finding,) = judge(look())
    assert (finding.outcome, finding.slug, finding.required) == ("inconclusive", "one_look", False)


def test_each_planted_loss_is_found():
    assert slugs(look(), look(device=False)) == [("inconclusive", "gone", "Stick")]
    assert slugs(look(), look(state="disconnected")) == [("inconclusive", "display_gone", "card0-HDMI-A-1")]
    assert slugs(look(), look(losses=2, errors=5)) == [
        ("inconclusive", "link_losses", "eth0"),
        ("inconclusive", "receive_errors", "eth0"),
    ]
    (finding,) = judge(look(over=1), look(over=4))
    assert (finding.outcome, finding.slug, finding.observed, finding.required) == (
        "fail",
        "over_current",
        3,
        True,
    )


def test_a_bus_that_could_not_be_read_again_proves_nothing():
    assert slugs(look(), look(device=False, present=None)) == [("pass", "quiet", "")]
    assert slugs(look(over=None), look(over=4)) == [("pass", "quiet", "")]


def test_lines_about_trouble_count_and_those_about_plugging_do_not():
    trouble = "usb 2-1: reset SuperSpeed USB device number 3 using xhci_hcd"
    plugged = "usb 2-1: new SuperSpeed USB device number 3 using xhci_hcd"
    assert slugs(look(), look(), lines=(plugged,)) == [("pass", "quiet", "")]
    (finding,) = judge(look(), look(), lines=(plugged, trouble, trouble))
    assert (finding.outcome, finding.slug, finding.values["count"]) == ("pass", "usb_log", 2)
    assert slugs(look(), look(), lines=(trouble,), on_mistake="fail")[0][:2] == ("fail", "usb_log")
