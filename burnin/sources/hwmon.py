"""Sensors of the kernel's hwmon chips: temperatures, voltages, fans, currents, powers, fan duties, alarms.

Read through kept descriptors. Energies (``energyN_input``) are left to the source ``energy``, which turns the
processor's own counters into powers.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError, Unreadable
from burnin.host.kept import FileReadings, FileValue
from burnin.host.protocol import Host
from burnin.parse.counters import parse_integer
from burnin.parse.hwmon import (
    KINDS,
    Alarm,
    Attribute,
    parse_alarms,
    parse_attributes,
    parse_label,
    parse_limit,
    parse_reading,
)
from burnin.parse.hwmon_roles import (
    accuracy_of,
    has_own_maximum,
    note_of,
    resolution_of,
    role_of,
    without_offset,
)
from burnin.plugin.contracts import Description, SourceSpec
from burnin.records.channels import Absence, Channel, Reading, Role

_NAME: Final = "hwmon"
_CLASS: Final = "/sys/class/hwmon"
_CPUS: Final = "/sys/devices/system/cpu"
_UNSTABLE: Final = re.compile(r"hwmon\d*|nvme\d*|host\d+|target[\d:]+|\d+:\d+:\d+:\d+")
"""Parts of a device path whose numbers depend on the order in which things were found."""


@dataclass(frozen=True, kw_only=True)
class _Chip:
    """One chip: ``key`` names it for ever, ``folder`` holds its files today."""

    key: str
    name: str
    folder: str
    device: str
    files: tuple[str, ...]


class HwmonSource:
    """Sensors of hwmon chips."""

    @property
    def spec(self) -> SourceSpec:
        """What it says about itself."""
        return SourceSpec(
            title="Temperatures, fans, voltages, powers and alarms, by the kernel's sensor chips"
        )

    def describe(self, host: Host) -> Description:
        """Return the channels of every chip, chips in the order of their lasting names."""
        if host.system != "Linux":
            return Description()
        chips = _chips(host)
        channels = tuple(channel for chip in chips for channel in _channels(host, chip))
        return Description(channels=channels, absent=tuple(_absent(bool(chips), channels)))

    def open(self, host: Host, channels: Sequence[Channel]) -> FileReadings:
        """Return a session that reads exactly ``channels``."""
        chips = {chip.key: chip for chip in _chips(host)}
        return FileReadings(host, [_value_of(chips, channel) for channel in channels])


def _chips(host: Host) -> list[_Chip]:
    found: dict[str, _Chip] = {}
    for name in sorted(host.names(_CLASS), key=lambda text: (len(text), text)):
        chip = _chip(host, f"{_CLASS}/{name}")
        if chip is None:
            continue
        key, number = chip.key, 1
        while key in found:  # two chips on one device: numbered in the order the kernel found them
            number += 1
            key = f"{chip.key}#{number}"
        found[key] = _Chip(key=key, name=chip.name, folder=chip.folder, device=chip.device, files=chip.files)
    return [found[key] for key in sorted(found)]


def _chip(host: Host, link: str) -> _Chip | None:
    folder = host.resolve(link)
    if folder is None:
        return None
    if "name" not in host.names(folder) and "name" in host.names(f"{folder}/device"):
        folder = f"{folder}/device"  # drivers of the old interface keep their files one level down
    try:
        name = parse_label(host.read(f"{folder}/name")).replace("/", "-")
    except Unreadable:
        return None
    device = _device_of(folder)
    return _Chip(key=f"{name}-{device}", name=name, folder=folder, device=device, files=host.names(folder))


def _device_of(folder: str) -> str:
    """Return the part of a chip's path that stays the same between starts: a bus address or a platform name."""
    parts = [part for part in folder.removesuffix("/device").split("/") if part]
    return next((part for part in reversed(parts) if _UNSTABLE.fullmatch(part) is None), "unknown")


def _channels(host: Host, chip: _Chip) -> Iterable[Channel]:
    attributes = parse_attributes(chip.files)
    labels = {attribute.sensor: _label(host, chip, attribute.sensor) for attribute in attributes}
    roles = without_offset(
        {
            labels[item.sensor]: role_of(chip.name, item.kind, labels[item.sensor])
            for item in attributes
            if item.kind == "temp"
        }
    )
    for item in attributes:
        label = labels[item.sensor]
        role = roles[label] if item.kind == "temp" else role_of(chip.name, item.kind, label)
        yield _sensor_channel(host, chip, item, label=label, role=role)
    for alarm in parse_alarms(chip.files):
        yield _alarm_channel(chip, alarm, labels.get(alarm.sensor, ""))


def _label(host: Host, chip: _Chip, sensor: str) -> str:
    if f"{sensor}_label" not in chip.files:
        return ""
    try:
        return parse_label(host.read(f"{chip.folder}/{sensor}_label"))
    except Unreadable:
        return ""


def _shown(chip: _Chip, sensor: str, label: str) -> str:
    kind, index = re.sub(r"\d+$", "", sensor), re.sub(r"^\D+", "", sensor)
    return label or f"{chip.name} {KINDS[kind].noun.lower()} {index}"


def _sensor_channel(host: Host, chip: _Chip, item: Attribute, *, label: str, role: Role) -> Channel:
    accuracy, accuracy_source = accuracy_of(role) if item.kind == "temp" else (None, "")
    note = note_of(chip.name, item.kind)
    return Channel(
        id=f"{_NAME}/{chip.key}/{item.sensor}",
        source=_NAME,
        quantity=KINDS[item.kind].quantity,
        label=_shown(chip, item.sensor, label),
        place=", ".join(filter(None, (chip.name, chip.device, note))),
        role=role,
        resolution=resolution_of(chip.name, item.kind),
        accuracy=accuracy,
        accuracy_source=accuracy_source,
        limit_high=_limit(host, chip, item, ("max",)) if has_own_maximum(chip.name) else None,
        limit_critical=_limit(host, chip, item, ("crit", "emergency")),
        cores=_cores_of(host, chip, label) if role == "cpu_core" else (),
    )


def _limit(host: Host, chip: _Chip, item: Attribute, names: tuple[str, ...]) -> float | None:
    for name in names:
        file = f"{item.sensor}_{name}"
        if file not in chip.files:
            continue
        try:
            return parse_limit(item.kind, host.read(f"{chip.folder}/{file}"))
        except (Unreadable, ParseError):
            return None
    return None


def _cores_of(host: Host, chip: _Chip, label: str) -> tuple[int, ...]:
    """Return the logical CPUs of "Core N" on the chip of package P (device ``coretemp.P``), empty where unknown."""
    core = re.fullmatch(r"Core (\d{1,5})", label)
    package = re.fullmatch(r"coretemp\.(\d{1,3})", chip.device)
    if core is None or package is None:
        return ()
    wanted = (int(package[1]), int(core[1]))
    cpus = sorted(int(name[3:]) for name in host.names(_CPUS) if re.fullmatch(r"cpu\d{1,5}", name))
    return tuple(cpu for cpu in cpus if _place_of(host, cpu) == wanted)


def _place_of(host: Host, cpu: int) -> tuple[int, int] | None:
    folder = f"{_CPUS}/cpu{cpu}/topology"
    try:
        package = parse_integer(host.read(f"{folder}/physical_package_id"))
        return package, parse_integer(host.read(f"{folder}/core_id"))
    except (Unreadable, ParseError):
        return None


def _alarm_channel(chip: _Chip, alarm: Alarm, label: str) -> Channel:
    which = f"{alarm.which.replace('_', ' ').replace('crit', 'critical')} alarm".strip()
    drive_warning = chip.name == "nvme" and not alarm.which
    serious = alarm.kind == "temp" and (alarm.which in {"crit", "emergency"} or drive_warning)
    return Channel(
        id=f"{_NAME}/{chip.key}/{alarm.file}",
        source=_NAME,
        quantity="count",
        label=f"{_shown(chip, alarm.sensor, label)}: {which}",
        place=f"{chip.name}, {chip.device}; 1 while the alarm stands, some stay until cleared",
        role="fault_count" if serious else "none",
        resolution=1.0,
    )


def _value_of(chips: dict[str, _Chip], channel: Channel) -> FileValue:
    _, key, file = channel.id.split("/")
    chip = chips.get(key)
    if chip is None:
        return FileValue(paths=(f"{_CLASS}/{key}/{file}",), make=_alarm)
    if file.endswith("_alarm"):
        return FileValue(paths=(f"{chip.folder}/{file}",), make=_alarm)
    item = next((item for item in parse_attributes(chip.files) if item.sensor == file), None)
    if item is None:
        return FileValue(paths=(f"{chip.folder}/{file}_input",), make=_alarm)
    fault = f"{item.sensor}_fault"
    paths = [item.file, fault] if fault in chip.files else [item.file]
    return FileValue(
        paths=tuple(f"{chip.folder}/{path}" for path in paths),
        make=functools.partial(parse_reading, item.kind),
    )


def _alarm(data: bytes) -> Reading:
    return Reading(value=float(parse_integer(data, "alarm bit")))


def _absent(any_chip: bool, channels: Sequence[Channel]) -> Iterable[Absence]:
    found = {channel.quantity for channel in channels}
    for quantity, what, verb in (
        ("temperature", "temperature sensors", "no temperature sensor can be read"),
        ("fan_speed", "fan and pump speeds", "no tachometer can be read"),
        ("voltage", "board voltages", "no board voltage can be read"),
    ):
        if quantity not in found:
            why = "no sensor chip the kernel lists has one" if any_chip else "the kernel lists no hwmon chip"
            yield Absence(what=what, reason=f"{why}: {verb}", quantity=quantity)


PLUGIN: Final = HwmonSource()
