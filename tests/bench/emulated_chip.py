"""An emulated chip for fans and voltages in the bench machine, under its real driver."""

from __future__ import annotations

from typing import Final

from guest import Guest

CHIP: Final = 0x2E
_FAN: Final = 0x28
"""First tachometer register, low byte first; the driver divides 5,400,000 by it (Linux, drivers/hwmon/adt7475.c)."""

_VOLTAGES: Final = ((0x20, 0xC0), (0x21, 0x80), (0x22, 0xC0), (0x23, 0xC0), (0x24, 0xC0))
"""Registers of the voltage inputs and what they hold: 0xc0 is an input's nominal value."""


def set_fan(guest: Guest, rpm: int) -> None:
    """Let the chip's first fan turn; 0 lets it stand."""
    count = 5_400_000 // rpm if rpm else 0xFFFF
    number = _bus(guest).removeprefix("i2c-")
    for offset, value in ((0, count & 0xFF), (1, count >> 8)):
        guest.check(f"i2cset -f -y {number} {CHIP:#x} {_FAN + offset:#x} {value:#x} b")


def add_chip(guest: Guest) -> None:
    """Put the chip on an emulated bus, its first fan at 1500 rpm."""
    guest.check(f"modprobe i2c-stub chip_addr={CHIP:#x}")
    set_fan(guest, 1500)
    bus = _bus(guest)
    number = bus.removeprefix("i2c-")
    for register, value in _VOLTAGES:
        guest.check(f"i2cset -f -y {number} {CHIP:#x} {register:#x} {value:#x} b")
    guest.check(f"modprobe adt7475; echo adt7476 {CHIP:#x} > /sys/bus/i2c/devices/{bus}/new_device")


def _bus(guest: Guest) -> str:
    return guest.check("cd /sys/class/i2c-adapter; grep -l 'SMBus stub' */name | cut -d/ -f1").strip()
