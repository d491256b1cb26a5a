from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.parse.kernel_log import KINDS, WHAT, classify, parse_earlier_log, parse_record, parse_records


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        # captured from a virtual machine, Linux 6.1, with injected faults
        ("mce: [Hardware Error]: Machine check events logged", "machine_check"),
        ("mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 9: 9c00004000010090", "machine_check"),
        (
            "mce: [Hardware Error]: CPU 0: Machine Check Exception: 5 Bank 4: be00004000010090",
            "machine_check",
        ),
        ("usb 2-1: USB disconnect, device number 2", "usb_detach"),
        # wording of the kernel's source, from memory
        ("Kernel panic - not syncing: Fatal local machine check", "machine_check"),
        ("EDAC MC0: 1 CE memory read error on CPU_SrcID#0_Chan#0_DIMM#0", "memory_error"),
        ("EDAC MC0: 1 UE memory read error on unknown memory", "memory_error"),
        ("CPU3: Core temperature above threshold, cpu clock throttled (total events = 1)", "thermal"),
        ("CPU3: Package temperature/speed above threshold", "thermal"),
        ("thermal thermal_zone0: critical temperature reached (105 C), shutting down", "thermal"),
        ("pcieport 0000:00:1c.0: AER: Corrected error received: 0000:03:00.0", "pcie"),
        (
            "pcieport 0000:00:1c.0: PCIe Bus Error: severity=Corrected, type=Physical Layer, (Receiver ID)",
            "pcie",
        ),
        ("usb 2-1: new SuperSpeed USB device number 3 using xhci_hcd", "usb_attach"),
        ("usb 1-1.4: new high-speed USB device number 12 using xhci_hcd", "usb_attach"),
        ("usb 1-1: device descriptor read/64, error -71", "usb_fault"),
        ("usb usb2-port1: over-current condition", "usb_fault"),
        ("usb 2-1: reset SuperSpeed USB device number 3 using xhci_hcd", "usb_fault"),
        ("usb usb1-port3: unable to enumerate USB device", "usb_fault"),
        ("xhci_hcd 0000:00:14.0: HC died; cleaning up", "usb_fault"),
        ("nvme nvme0: I/O 12 QID 3 timeout, aborting", "storage"),
        ("I/O error, dev nvme0n1, sector 2048 op 0x0:(READ) flags 0x0", "storage"),
        ("ata1.00: failed command: READ FPDMA QUEUED", "storage"),
        ("NVRM: Xid (PCI:0000:01:00): 79, pid=1, GPU has fallen off the bus.", "graphics"),
        ("amdgpu 0000:01:00.0: ring gfx_0.0.0 timeout, signaled seq=1", "graphics"),
        ("Out of memory: Killed process 4242 (worker) total-vm:1kB", "out_of_memory"),
        ("oom-kill:constraint=CONSTRAINT_NONE,nodemask=(null)", "out_of_memory"),
        ("watchdog: BUG: soft lockup - CPU#3 stuck for 22s!", "kernel_fault"),
        ("INFO: task kworker:5 blocked for more than 120 seconds.", "kernel_fault"),
        # lines that must not alarm anybody
        ("CPU3: Core temperature/speed normal", None),
        ("EDAC MC: Ver: 3.0.0", None),
        ("mce: CPU supports 20 MCE banks", None),
        ("usb 2-1: New USB device found, idVendor=f0f0, idProduct=0001", None),
        ("usbcore: registered new interface driver hub", None),
        ("pcieport 0000:00:1c.0: AER: enabled with IRQ 122", None),
        ("nvme nvme0: 8/0/0 default/read/poll queues", None),
        ("amdgpu 0000:01:00.0: amdgpu: VRAM: 16368M", None),
        ("", None),
    ],
)
def test_lines_are_told_apart(text, kind):
    assert classify(text) == kind


def test_every_kind_has_a_name():
    assert all(KINDS.values())
    assert list(WHAT) == list(KINDS)
    assert set(WHAT.values()) == {"machine_check", "memory", "thermal", "pcie", "usb", "other"}


def test_a_record_of_the_documented_form():
    r"""Example of the kernel's ABI text, testing/dev-kmsg, but for the text itself."""
    data = b"7,160,424069,-;pci_root PNP0A03:00: host bridge window \\x41 (ignored)\n SUBSYSTEM=acpi\n DEVICE=+acpi:PNP0A03:00\n"
    line = parse_record(data)
    assert (line.level, line.sequence, line.t_boot_us, line.kind) == (7, 160, 424069, None)
    assert line.text == "pci_root PNP0A03:00: host bridge window A (ignored)"


def test_the_facility_is_taken_off_the_priority():
    assert parse_record(b"30,339,5140900,c,caller=T1;NET: up\n").level == 6


def test_a_copied_log_keeps_records_and_skips_the_rest():
    data = b"4,1,10,-;mce: [Hardware Error]: Machine check events logged\n SUBSYSTEM=cpu\nnonsense\n6,2,20,-;fine\n"
    assert [(line.sequence, line.kind) for line in parse_records(data)] == [(1, "machine_check"), (2, None)]


def test_escapes_and_unprintable_bytes_cannot_reach_a_terminal():
    assert parse_record(b"6,1,1,-;\\x1b[31mred \xff\t\n").text == "?[31mred \N{REPLACEMENT CHARACTER}?"


@pytest.mark.parametrize("data", [b"", b"\n", b"6,1,1;x\n", b"6,1,1,-", b"x,1,1,-;x", b" KEY=6,1,1,-;x"])
def test_anything_else_is_no_record(data):
    assert parse_record(data) is None


def test_a_log_of_an_earlier_start():
    text = (
        "Panic#1 Part1\n"
        "<0>[ 1234.000005] Kernel panic - not syncing: Fatal local machine check\n"
        "[    3.140000][    T1] usb 2-1: USB disconnect, device number 2\n"
        "May 12 06:00:00 bench kernel: [   10.000001] fine\n"
    )
    lines = parse_earlier_log(text)
    assert [(line.level, line.t_boot_us, line.kind) for line in lines] == [
        (0, 1_234_000_005, "machine_check"),
        (None, 3_140_000, "usb_detach"),
        (None, 10_000_001, None),
    ]
    assert lines[1].text == "usb 2-1: USB disconnect, device number 2"


@given(st.binary(max_size=200))
def test_any_bytes_give_records_or_nothing(data):
    for line in (*parse_records(data), *parse_earlier_log(data.decode("utf-8", "replace"))):
        assert line.text.isprintable()
        assert line.kind in {None, *KINDS}
