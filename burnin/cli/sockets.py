"""``burnin sockets``: one known stick round every USB socket."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from burnin.cli.screen import quiet_output, say, say_json
from burnin.cli.socket_labels import labels_of, learn
from burnin.engine.socket_walk import SocketWalk, Stick, Tried, exit_code_of, judged, untried
from burnin.errors import InputError
from burnin.host.protocol import Host
from burnin.host.real import RealHost
from burnin.host.stick import FILE, ReadBack, read_known, usb_path_of, write_known
from burnin.probes.board import PLUGIN as BOARD
from burnin.probes.usb import PLUGIN as USB
from burnin.records.inventory import UsbConnector, UsbDevice, UsbPart

WORDS: Final = {
    "good": "in order",
    "slow": "SLOWER than both ends allow: check the lead, the plug and the header",
    "partly": "in order as far as this stick can tell; a USB 3 stick would try the fast wires too",
    "wrong": "WRONG CONTENT: do not use this socket before its lead and header are checked",
    "unread": "found, but nothing was read",
    "nothing": "NOTHING APPEARED: check the lead and the header",
}
NO_BUS: Final = "No USB socket can be tried here: {reason}. That proves nothing about the machine's sockets."


@dataclass(kw_only=True)
class Walk:
    """What a walk needs; tests give other doors.

    Attributes:
        host: The machine.
        readline: Returns the operator's next line, empty at the end.
        path_of: USB device that holds the stick's folder, empty for none.
        read: Reads the known file back.
    """

    host: Host
    readline: Callable[[], str]
    path_of: Callable[[], str]
    read: Callable[[], ReadBack]


def sockets(options: argparse.Namespace) -> int:
    """Walk round; return 1 when a socket failed, 3 when one was left open, else 0."""
    host = RealHost()
    folder = Path(options.stick)
    walk = Walk(
        host=host,
        readline=sys.stdin.readline,
        path_of=lambda: usb_path_of(folder, host),
        read=lambda: read_known(folder, host.clock),
    )
    with quiet_output(to_error=options.json):
        result = walk_round(options, walk, write=lambda: write_known(folder))
    if options.json:
        say_json(result)
    code = result["exit_code"]
    assert isinstance(code, int)
    return code


def walk_round(options: argparse.Namespace, walk: Walk, *, write: Callable[[], None]) -> dict[str, object]:
    """Walk round every socket and return what each one showed.

    Raises:
        InputError: the stick's folder is on no USB device, or writing to it was not agreed to.
    """
    usb: UsbPart = USB.probe(walk.host)
    if not usb.present:
        reason = usb.unknown.get("present") or usb.unknown.get("*") or "the kernel shows no USB bus"
        say(NO_BUS.format(reason=reason))
        return _result("", None, (), (), reason=reason, code=3)
    device = _stick_device(options.stick, usb, walk.path_of())
    _agree(options, walk.readline)
    write()
    board = _board(walk.host)
    tries = judged(_tries(walk, device, board), able_mbit_s=device.capable_mbit_s)
    left = untried(usb, tries)
    _tell(tries, left, labels_of(board))
    return _result(board, device, tries, left, code=exit_code_of(tries, left))


def _result(
    board: str,
    device: UsbDevice | None,
    tries: tuple[Tried, ...],
    left: tuple[UsbConnector, ...],
    *,
    code: int,
    reason: str = "",
) -> dict[str, object]:
    known = labels_of(board)
    return {
        "board": board,
        "stick": device.name if device else "",
        "tried": [asdict(each) for each in tries],
        "untried": [{"socket": one.name, "label": known.get(one.name, "")} for one in left],
        "reason": reason,
        "exit_code": code,
    }


def _stick_device(folder: str, usb: UsbPart, path: str) -> UsbDevice:
    device = next((one for one in usb.devices if one.path == path), None)
    if device is None:
        raise InputError(
            f"--stick {folder}: found no USB device behind this folder; expected the folder where the stick is mounted",
            slug="stick",
            hint="Plug the stick in, mount it, and name its folder.",
        )
    return device


def _agree(options: argparse.Namespace, readline: Callable[[], str]) -> None:
    if options.yes:
        return
    say(f"A file of 32 MiB ({FILE}) will be written to {options.stick}, and nothing else. Type yes to go on:")
    if readline().strip().lower() != "yes":
        raise InputError(
            "nothing was written to the stick, and no socket was tried",
            slug="stick",
            hint="Answer yes, or add --yes.",
        )


def _board(host: Host) -> str:
    board = BOARD.probe(host)
    return " ".join(part for part in (board.maker, board.product, board.version) if part) or "unknown board"


def _tries(walk: Walk, device: UsbDevice, board: str) -> list[Tried]:
    stick = Stick(vendor_id=device.vendor_id, product_id=device.product_id, name=device.name)

    def read(path: str) -> ReadBack:
        if walk.path_of() != path:
            return ReadBack(right=False, detail="the stick is not mounted at its folder")
        return walk.read()

    rounds = SocketWalk(lambda: USB.probe(walk.host), stick, read=read, clock=walk.host.clock)
    tries: list[Tried] = []
    while True:
        say(
            "Plug the stick into the next socket and mount it, then press Enter. When all are tried, type done:"
        )
        line = walk.readline()
        if not line or line.strip().lower() == "done":
            return tries
        tries.append(_one(walk, rounds, board))
        if tries[-1].type_c:
            say(
                "Turn the plug over in the same socket and mount the stick again, then press Enter (no: leave it):"
            )
            if walk.readline().strip().lower() in {"", "yes"}:
                tries.append(replace(rounds.wait_for_stick(turned=True), label=tries[-1].label))


def _one(walk: Walk, rounds: SocketWalk, board: str) -> Tried:
    tried = rounds.wait_for_stick()
    label = labels_of(board).get(tried.socket, "") if tried.socket else ""
    if not label:
        where = f"socket {tried.socket}" if tried.socket else "the socket where nothing appeared"
        say(f"What is {where} called (front left, rear red ...)?")
        label = walk.readline().strip()
        if label and tried.socket:
            learn(board, tried.socket, label)
    say(f"  {label or tried.socket}: {_figures(tried)}")
    return replace(tried, label=label)


def _figures(tried: Tried) -> str:
    if tried.outcome == "nothing":
        return WORDS["nothing"]
    rate = f", read at {tried.rate_mb_s:.0f} MB/s" if tried.rate_mb_s else ""
    more = f" ({tried.detail})" if tried.detail else ""
    return f"{tried.speed_mbit_s:g} Mbit/s{rate}{more}"


def _tell(tries: tuple[Tried, ...], left: tuple[UsbConnector, ...], known: dict[str, str]) -> None:
    say("Sockets tried:" if tries else "No socket was tried.")
    for tried in tries:
        way = ", other way up" if tried.turned else ""
        say(
            f"  {tried.label or tried.socket or 'unnamed socket'}{way}: {_figures(tried)}; {WORDS[tried.outcome]}"
        )
    for connector in left:
        say(f"  {known.get(connector.name, connector.name)}: NOT TRIED ({connector.speed_mbit_s:g} Mbit/s)")
