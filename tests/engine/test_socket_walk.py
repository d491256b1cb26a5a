from __future__ import annotations

import pytest

from burnin.engine.socket_walk import SocketWalk, Stick, Tried, exit_code_of, judged, untried
from burnin.host.stick import ReadBack
from burnin.records.inventory import UsbConnector, UsbDevice, UsbPart

STICK = Stick(vendor_id="1111", product_id="2222")
GOOD = ReadBack(right=True, rate_mb_s=90.0)


def usb(path: str | None = "2-1", *, speed: float = 5000, socket: bool = True, **connector) -> UsbPart:
    device = path and UsbDevice(path=path, vendor_id="1111", product_id="2222", speed_mbit_s=speed)
    fields = {"name": "usb2-port1+usb1-port1", "speed_mbit_s": 10000, "controller": "c", **connector}
    connectors = (UsbConnector(**fields, device=device or None),) if socket else ()
    return UsbPart(present=True, connectors=connectors, devices=(device,) if device else ())


def walk(clock, *looks: UsbPart, read=lambda path: GOOD) -> SocketWalk:
    parts = list(looks)
    return SocketWalk(lambda: parts.pop(0) if len(parts) > 1 else parts[0], STICK, read=read, clock=clock)


def test_a_stick_that_appears_is_read_at_its_socket(clock) -> None:
    tried = walk(clock, usb(None), usb(None), usb(type_c=True)).wait_for_stick(turned=True)
    assert (tried.socket, tried.outcome, tried.speed_mbit_s) == ("usb2-port1+usb1-port1", "good", 5000)
    assert (tried.type_c, tried.turned, tried.rate_mb_s) == (True, True, 90.0)


def test_a_dead_lead_shows_nothing_within_its_time(clock) -> None:
    begun_ns = clock.mono_ns()
    other = UsbDevice(path="1-9", vendor_id="9999", product_id="1")
    tried = walk(clock, UsbPart(present=True, devices=(other,))).wait_for_stick()
    assert (tried.outcome, tried.socket) == ("nothing", "")
    assert 20e9 <= clock.mono_ns() - begun_ns < 22e9


def test_a_stick_not_mounted_yet_is_waited_for(clock) -> None:
    answers = [ReadBack(right=False, detail="not mounted"), GOOD]
    tried = walk(clock, usb(), read=lambda path: answers.pop(0)).wait_for_stick()
    assert tried.outcome == "good"


def test_a_stick_that_is_never_mounted_is_found_and_not_read(clock) -> None:
    tried = walk(clock, usb(), read=lambda path: ReadBack(right=False, detail="not mounted")).wait_for_stick()
    assert (tried.outcome, tried.detail) == ("unread", "not mounted")
    assert walk(clock, usb(), read=None).wait_for_stick().outcome == "unread"


def test_other_content_is_told_at_once(clock) -> None:
    bad = ReadBack(right=False, rate_mb_s=80.0, detail="1 of 32 MiB differ")
    assert walk(clock, usb(), read=lambda path: bad).wait_for_stick().outcome == "wrong"


def test_a_stick_at_no_known_connector_goes_by_its_own_name(clock) -> None:
    tried = walk(clock, usb(socket=False)).wait_for_stick()
    assert (tried.socket, tried.socket_mbit_s) == ("2-1", 0.0)


def test_a_device_without_a_speed(clock) -> None:
    assert walk(clock, usb(speed=None)).wait_for_stick().speed_mbit_s == 0.0


def tried(outcome="good", *, speed=5000.0, socket=10000.0, name="a", **fields) -> Tried:
    return Tried(outcome=outcome, socket=name, speed_mbit_s=speed, socket_mbit_s=socket, **fields)


@pytest.mark.parametrize(
    ("given", "able", "expected"),
    [
        (tried(), 5000.0, "good"),
        (tried(speed=480.0), 5000.0, "slow"),
        (tried("unread", speed=480.0), 5000.0, "slow"),
        (tried("unread"), 5000.0, "unread"),
        (tried(speed=480.0, socket=480.0), 5000.0, "good"),
        (tried(speed=480.0), 480.0, "partly"),
        (tried(speed=480.0), None, "partly"),
        (tried("wrong", speed=480.0), 5000.0, "wrong"),
        (tried("nothing", speed=0.0, socket=0.0), 5000.0, "nothing"),
    ],
)
def test_the_speed_is_judged_by_what_both_ends_can_do(given, able, expected) -> None:
    assert judged([given], able_mbit_s=able)[0].outcome == expected


def test_the_fastest_socket_tells_what_the_stick_can_do() -> None:
    slow, fast = judged([tried(speed=480.0), tried()], able_mbit_s=None)
    assert (slow.outcome, fast.outcome) == ("slow", "good")
    assert judged([], able_mbit_s=None) == ()


def test_sockets_that_were_left_out() -> None:
    def socket(name, **fields):
        return UsbConnector(name=name, speed_mbit_s=480, controller="c", **fields)

    part = UsbPart(
        connectors=(
            socket("a"), socket("b", kind="hotplug"), socket("c", kind="hardwired"), socket("d", kind="not used"),
            socket("e", behind_hub=True),
        )
    )  # fmt: skip
    assert [one.name for one in untried(part, [tried(name="a")])] == ["b"]


@pytest.mark.parametrize(
    ("tries", "left", "code"),
    [
        ((tried(),), False, 0),
        ((tried(), tried("slow")), False, 1),
        ((tried("nothing"),), True, 1),
        ((tried("wrong"),), False, 1),
        ((tried(),), True, 3),
        ((), False, 3),
        ((tried("partly"),), False, 3),
        ((tried("unread"),), False, 3),
        ((tried(type_c=True),), False, 3),
        ((tried(type_c=True), tried(type_c=True, turned=True)), False, 0),
    ],
)
def test_what_a_walk_comes_to(tries, left, code) -> None:
    rest = (UsbConnector(name="z", speed_mbit_s=480, controller="c"),) if left else ()
    assert exit_code_of(tries, rest) == code
