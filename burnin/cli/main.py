"""The command line: which command, which options. Each command's module is loaded only when it is called."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NoReturn, TypeAlias

from burnin.errors import BurninError

DESCRIPTION: Final = "Acceptance harness for custom-built PCs: verified loads, sampled sensors, a headset checklist, a certificate."
EXIT_CODES: Final = (
    "Exit codes: 0 accepted or done; 1 rejected or differs; 2 usage or bad input; 3 inconclusive (nothing failed, "
    "something could not be judged); 4 stopped by the operator; 5 stopped for safety."
)
USAGE: Final = 2


class _Parser(argparse.ArgumentParser):
    """An argument parser whose errors look like all other errors of this program."""

    def error(self, message: str) -> NoReturn:
        """Print one clear error and leave with exit code 2."""
        print(
            f"burnin: {self.prog.removeprefix('burnin ')}: {message}\n  What to do: {self.prog} --help",
            file=sys.stderr,
        )
        raise SystemExit(USAGE)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = _Parser(prog="burnin", description=DESCRIPTION, epilog=EXIT_CODES, allow_abbrev=False)
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for add in (_accept, _inspect, _certify, _verify, _recover, _frames, _catalog, _rehearse, _workshop):
        add(commands)
    return parser


if TYPE_CHECKING:
    _Commands: TypeAlias = argparse._SubParsersAction[_Parser]  # noqa: SLF001 - argparse offers no public name


def _command(commands: _Commands, name: str, about: str) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=about, description=about, epilog=EXIT_CODES, allow_abbrev=False)
    parser.add_argument("--json", action="store_true", help="print one JSON object instead of text")
    return parser


def _paperwork(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--checklist", metavar="C", help="headset checklist: a shipped name or a .toml file")
    parser.add_argument("--order", metavar="FILE", help="order sheet (.toml)")
    parser.add_argument("--workshop", metavar="FILE", help="who tests: workshop.toml")
    parser.add_argument(
        "--answer",
        metavar="LINE=yes|no[:REMARK]",
        action="append",
        default=[],
        help="answer to a checklist line that cannot be measured; may be given several times",
    )


def _accept(commands: _Commands) -> None:
    parser = _command(
        commands, "accept", "test this machine: inventory, checklist, loads, verdict, certificate"
    )
    parser.add_argument(
        "--plan", metavar="P", help="plan: a shipped name or a .toml file (default: first-look)"
    )
    _paperwork(parser)
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="where the run's folder is made (default: runs)"
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions are known and accepted (for scripts)"
    )
    parser.add_argument("--note", metavar="TEXT", default="", help="a note to keep with the run")
    parser.add_argument("--seed", metavar="N", type=_whole, help="seed of all loads, to repeat a run")


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) >= 1 << 63:
        raise argparse.ArgumentTypeError(f"found '{text}'; expected a whole number of 0 or more, below 2^63")
    return int(text)


def _inspect(commands: _Commands) -> None:
    parser = _command(commands, "inspect", "inventory and checklist only: no load, a few seconds")
    _paperwork(parser)
    parser.add_argument(
        "--tree",
        metavar="DIR",
        help="read a recorded machine tree (a folder with proc/ and sys/) instead of this machine",
    )
    parser.add_argument("--write-order", metavar="FILE", help="make an order sheet from the machine as found")


def _certify(commands: _Commands) -> None:
    parser = _command(commands, "certify", "write the certificate and the result again from a journal")
    parser.add_argument("run", metavar="RUN", help="a run's folder or its journal.jsonl")
    parser.add_argument("--out", metavar="DIR", help="where to write (default: beside the journal)")


def _verify(commands: _Commands) -> None:
    parser = _command(
        commands, "verify", "check a certificate, a result or a journal against the journal's own chain"
    )
    parser.add_argument(
        "file", metavar="FILE", help="certificate.html, result.json, journal.jsonl or a run's folder"
    )


def _recover(commands: _Commands) -> None:
    parser = _command(commands, "recover", "close runs that a reset, a hang or a power cut left open")
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="folder that holds the runs (default: runs)"
    )


def _frames(commands: _Commands) -> None:
    parser = _command(commands, "frames", "judge a frame-time log against a headset's refresh rate")
    parser.add_argument("log", metavar="LOG", help="text with a column of frame times or presentation times")
    parser.add_argument("--checklist", metavar="C", help="take the refresh rate from this checklist")
    parser.add_argument("--refresh", metavar="HZ", type=float, help="refresh rate in Hz")
    parser.add_argument("--column", metavar="NAME", help="which column, by its heading or its number from 1")
    parser.add_argument("--unit", choices=("s", "ms", "us", "ns"), help="unit of that column")


def _catalog(commands: _Commands) -> None:
    _command(commands, "catalog", "what is on hand: loads, sources, probes, criteria, plans, checklists")


def _rehearse(commands: _Commands) -> None:
    parser = _command(commands, "rehearse", "the whole flow on a simulated bench; certifies nothing")
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="where the run's folder is made (default: runs)"
    )
    parser.add_argument(
        "--pump-fails-at",
        metavar="SECONDS",
        type=float,
        help="let the invented pump stop at this simulated time",
    )


def _workshop(commands: _Commands) -> None:
    """Add the commands that look across runs."""
    from burnin.cli.workshop_options import compare_options, ledger_options

    compare_options(_command(commands, "compare", "two runs side by side: what changed, and what is noise"))
    ledger_options(
        _command(commands, "ledger", "the shop's records: every run once, searched, followed, rebuilt")
    )


def main(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; every error ends in a plain message."""
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.version:
        from burnin import __version__

        print(__version__)
        return 0
    if options.command is None:
        parser.print_help()
        return USAGE
    try:
        return _dispatch(options)
    except BurninError as error:
        print(f"burnin: {error.message}", file=sys.stderr)
        if error.hint:
            print(f"  What to do: {error.hint}", file=sys.stderr)
        return USAGE
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        print("burnin: stopped", file=sys.stderr)
        return 4


def _dispatch(options: argparse.Namespace) -> int:
    match options.command:
        case "accept":
            from burnin.cli.accept import accept as command
        case "inspect":
            from burnin.cli.inspect import inspect as command
        case "certify":
            from burnin.cli.certify import certify as command
        case "verify":
            from burnin.cli.verify import verify as command
        case "recover":
            from burnin.cli.recover import recover as command
        case "frames":
            from burnin.cli.frames import frames as command
        case "catalog":
            from burnin.cli.catalog import catalog as command
        case "compare":
            from burnin.cli.compare import compare as command
        case "ledger":
            from burnin.cli.ledger import ledger as command
        case _:
            from burnin.cli.rehearse import rehearse as command
    return command(options)
