"""Ports to connectors: peers counted once, kinds, hub chains."""

from __future__ import annotations

from burnin.parse.usb_ports import Port, pair_ports
from burnin.records.inventory import UsbDevice

SPEEDS = {"usb1": 480.0, "usb2": 10000.0, "1-4": 480.0, "1-5": 480.0, "1-5.1": 480.0}


def port(name: str, hub: str, **fields: object) -> Port:
    number = int(name.rsplit("port", 1)[1])
    return Port(**{"name": name, "number": number, "hub": hub, "controller": "0000:00:14.0", **fields})


def device(path: str, speed: float = 480.0, **fields: object) -> UsbDevice:
    return UsbDevice(path=path, vendor_id="1234", product_id="0001", speed_mbit_s=speed, **fields)


def test_peers_are_one_connector_of_the_faster_speed():
    ports = [
        port("usb1-port1", "usb1", kind="hotplug", peer="usb2-port1", over_current=1, location="0x0"),
        port(
            "usb2-port1",
            "usb2",
            kind="unknown",
            peer="usb1-port1",
            over_current=2,
            location="00000003",
            type_c=True,
        ),
        port("usb1-port2", "usb1", kind="hardwired"),
    ]
    both, other = pair_ports(ports, devices={}, hub_speeds=SPEEDS)
    assert both.name == "usb2-port1+usb1-port1"
    assert (both.speed_mbit_s, both.kind, both.over_current, both.location) == (
        10000.0,
        "hotplug",
        3,
        "00000003",
    )
    assert (both.type_c, both.free) == (True, True)
    assert (other.name, other.speed_mbit_s, other.free, other.over_current) == (
        "usb1-port2",
        480.0,
        False,
        None,
    )


def test_a_peer_that_does_not_name_back_is_no_peer():
    ports = [
        port("usb1-port1", "usb1", peer="usb2-port1"),
        port("usb2-port1", "usb2", peer="usb1-port9"),
        port("usb1-port3", "usb1", peer="usb1-port3"),
    ]
    assert len(pair_ports(ports, devices={}, hub_speeds=SPEEDS)) == 3


def test_the_faster_of_two_devices_in_a_socket_takes_it():
    """A USB 3 hub shows one device on each bus."""
    ports = [
        port("usb1-port1", "usb1", peer="usb2-port1"),
        port("usb2-port1", "usb2", peer="usb1-port1"),
    ]
    devices = {"1-1": device("1-1"), "2-1": device("2-1", 5000.0)}
    (connector,) = pair_ports(ports, devices=devices, hub_speeds=SPEEDS)
    assert connector.device == devices["2-1"]
    assert not connector.free


def test_ports_of_a_hub_on_the_board_are_the_machines_own_and_those_of_a_plugged_one_are_not():
    ports = [
        port("usb1-port4", "usb1", kind="hardwired"),
        port("usb1-port5", "usb1", kind="hotplug"),
        port("1-4-port1", "1-4", kind="hotplug"),
        port("1-5-port1", "1-5", kind="unknown"),
        port("1-5.1-port2", "1-5.1", kind="unknown"),
    ]
    devices = {
        "1-4": device("1-4", hub=True),
        "1-5": device("1-5", hub=True),
        "1-5.1": device("1-5.1", hub=True),
    }
    found = {item.name: item for item in pair_ports(ports, devices=devices, hub_speeds=SPEEDS)}
    assert not found["1-4-port1"].behind_hub
    assert found["1-5-port1"].behind_hub
    assert found["1-5.1-port2"].behind_hub
    assert found["1-5-port1"].device == devices["1-5.1"]


def test_a_hub_chain_on_the_board_all_the_way():
    ports = [
        port("usb1-port5", "usb1", kind="hardwired"),
        port("1-5-port1", "1-5", kind="hardwired"),
        port("1-5.1-port2", "1-5.1", kind="hotplug"),
    ]
    devices = {"1-5": device("1-5", hub=True), "1-5.1": device("1-5.1", hub=True)}
    found = {item.name: item for item in pair_ports(ports, devices=devices, hub_speeds=SPEEDS)}
    assert not found["1-5.1-port2"].behind_hub


def test_a_kind_nobody_knows_is_unknown():
    (found,) = pair_ports([port("usb9-port1", "usb9", kind="new word")], devices={}, hub_speeds={})
    assert (found.kind, found.speed_mbit_s) == ("unknown", 0.0)
