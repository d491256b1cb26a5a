"""What people bring along: the headset checklist, the order sheet, the workshop's identity."""

from __future__ import annotations

from typing import Literal

from burnin.records.base import Record

LineKind = Literal[
    "memory_size",
    "cpu_cores",
    "usb_free_ports",
    "video_output",
    "graphics_memory",
    "storage_free",
    "operating_system",
    "look",
]
"""What a checklist line is about; ``look`` can only be answered by the operator."""


class ChecklistLine(Record, frozen=True, kw_only=True):
    """One line of a headset checklist.

    Attributes:
        id: Unique in the checklist; the name used with ``--answer``.
        kind: What it is about.
        text: The requirement as printed.
        why: Why it matters, as an expert would explain it.
        look_at: What the operator should look at where this cannot be measured.
        source: Where the requirement comes from.
        at_least: The figure asked for, in ``unit``.
        unit: Unit of ``at_least``.
        generation_mbit_s: For USB: the slowest port speed that counts, Mbit/s.
        distinct_controllers: For USB: how many different host controllers the free ports must sit on.
        width_px: For video: active width of the mode.
        height_px: For video: active height of the mode.
        refresh_hz: For video: refresh rate of the mode.
        connectors: For video: connector types that count (``hdmi``, ``displayport``); empty for any.
        hdmi_at_least: For video: lowest HDMI version that counts, for example ``1.3``.
    """

    id: str
    kind: LineKind
    text: str
    why: str = ""
    look_at: str = ""
    source: str = ""
    at_least: float | None = None
    unit: str = ""
    generation_mbit_s: float | None = None
    distinct_controllers: int | None = None
    width_px: int | None = None
    height_px: int | None = None
    refresh_hz: float | None = None
    connectors: tuple[str, ...] = ()
    hdmi_at_least: str = ""


class Checklist(Record, frozen=True, kw_only=True):
    """A headset checklist: what a class of headset asks of the machine.

    Attributes:
        format: Version of the checklist format (1).
        name: The file's name without its ending.
        title: What people call it.
        about: Which class of headset it stands for.
        refresh_hz: The headset's refresh rate.
        lines: The requirements.
    """

    format: Literal[1]
    name: str
    title: str
    about: str = ""
    refresh_hz: float | None = None
    lines: tuple[ChecklistLine, ...] = ()


class Answer(Record, frozen=True, kw_only=True):
    """An operator's answer to a checklist line that could not be measured.

    Attributes:
        line: Id of the checklist line.
        answer: Yes or no.
        remark: What the operator saw.
    """

    line: str
    answer: Literal["yes", "no"]
    remark: str = ""


class PartOrdered(Record, frozen=True, kw_only=True):
    """One part on the order sheet.

    Attributes:
        part: Kind of part (``cpu``, ``memory``, ``graphics``, ``board``, ``storage``, ``power_supply``, ``cooler``, ``case``).
        text: What was ordered, in words, as printed.
        match: Text that must occur in the name read from the machine, letter case ignored; empty where software cannot read it.
        count: How many.
        size_gb: Size asked for, GB (memory modules and drives); None where it does not apply.
    """

    part: str
    text: str
    match: str = ""
    count: int = 1
    size_gb: float | None = None


class Targets(Record, frozen=True, kw_only=True):
    """Tuning targets of an order; None where nothing was promised.

    Attributes:
        cpu_clock_mhz: Clock the CPU is to hold under all-core load.
        memory_speed_mts: Speed the memory is to run at, MT/s.
        cpu_power_w: CPU power limit.
        graphics_power_w: Graphics power limit.
    """

    cpu_clock_mhz: float | None = None
    memory_speed_mts: float | None = None
    cpu_power_w: float | None = None
    graphics_power_w: float | None = None


class Order(Record, frozen=True, kw_only=True):
    """An order sheet: what the customer is to get.

    Attributes:
        format: Version of the order format (1).
        order: The workshop's order number.
        customer: Customer reference (a number or initials is enough).
        serial: Serial number of the machine.
        machine: What the machine is called.
        parts: Parts ordered.
        targets: What was promised.
        beyond_ratings: Settings beyond the makers' ratings, in words; empty where there are none.
        remarks: Anything else to print.
    """

    format: Literal[1]
    order: str
    customer: str = ""
    serial: str = ""
    machine: str = ""
    parts: tuple[PartOrdered, ...] = ()
    targets: Targets = Targets()
    beyond_ratings: tuple[str, ...] = ()
    remarks: str = ""


class Workshop(Record, frozen=True, kw_only=True):
    """Who tests and who signs.

    Attributes:
        name: The workshop's name.
        address: Lines of the address.
        contact: Telephone or mail, as printed.
        signatory: Who authorises the certificate.
        logo_svg: The logo as SVG text, empty where there is none.
    """

    name: str = ""
    address: tuple[str, ...] = ()
    contact: str = ""
    signatory: str = ""
    logo_svg: str = ""
