"""The command line: which command, which options. Each command's module is loaded only when it is called."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from burnin.errors import BurninError

TYPE_CHECKING = (
    False  # what typing calls so, without loading it: the first thing a user sees is how quick --help is
)
if TYPE_CHECKING:
    from typing import Any, Final, NoReturn, TypeAlias

DESCRIPTION: Final = "Acceptance harness for custom-built PCs: verified loads, sampled sensors, a headset checklist, a certificate."
EXIT_CODES: Final = (
    "Exit codes: 0 accepted or done; 1 rejected or differs; 2 usage or bad input; 3 inconclusive (nothing failed, "
    "something could not be judged); 4 stopped by the operator; 5 stopped for safety."
)
USAGE: Final = 2


class _Parser(argparse.ArgumentParser):
    """An argument parser whose errors look like all other errors of this program.

    A command's options can be put off until it is called: ``--help`` of the whole needs none of them.
    """

    _later: list[Callable[[], object]] | None = None

    def put_off(self) -> None:
        """Keep options in mind only, until this command parses or prints its help."""
        self._later = []

    def _catch_up(self) -> None:
        later, self._later = self._later or [], None
        for fill in later:
            fill()

    def afterwards(self, fill: Callable[[_Parser], object]) -> None:
        """Let ``fill`` add options, when they are needed."""
        assert self._later is not None
        self._later.append(lambda: fill(self))

    def add_argument(self, *names: Any, **settings: Any) -> Any:
        """Add an option, now or later."""
        if self._later is None:
            return super().add_argument(*names, **settings)
        self._later.append(lambda: self.add_argument(*names, **settings))
        return None

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Parse, with all options there are."""
        self._catch_up()
        return super().parse_known_args(args, namespace)

    def format_help(self) -> str:
        """Return the help, with all options there are."""
        self._catch_up()
        return super().format_help()

    def error(self, message: str) -> NoReturn:
        """Print one clear error and leave with exit code 2."""
        print(
            f"burnin: {self.prog.removeprefix('burnin ')}: {message}\n  What to do: {self.prog} --help",
            file=sys.stderr,
        )
        raise SystemExit(USAGE)


def build_parser(*, whole: bool = True) -> argparse.ArgumentParser:
    """Return the parser of the whole command line.

    Args:
        whole: False puts each command's options off until it is called.
    """
    parser = _Parser(prog="burnin", description=DESCRIPTION, epilog=EXIT_CODES, allow_abbrev=False)
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for add in (_accept, _inspect, _evidence, _frames, _catalog, _sockets, _reproduce, _rehearse, _workshop):
        add(commands)
    for command in commands.choices.values() if whole else ():
        command._catch_up()  # noqa: SLF001 - our own class
    return parser


if TYPE_CHECKING:
    _Commands: TypeAlias = argparse._SubParsersAction[_Parser]  # noqa: SLF001 - argparse offers no public name


def _command(commands: _Commands, name: str, about: str) -> _Parser:
    parser = commands.add_parser(name, help=about, description=about, epilog=EXIT_CODES, allow_abbrev=False)
    parser.put_off()
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
    parser.add_argument(
        "--metrics",
        metavar="FILE",
        help="keep the present values in this OpenMetrics text file, for collectors",
    )
    parser.afterwards(_bench_options)
    _signing(parser)


def _signing(parser: argparse.ArgumentParser) -> None:
    from burnin.cli.evidence_options import signing_option

    signing_option(parser)


def _whole(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text) >= 1 << 63:
        raise argparse.ArgumentTypeError(f"found '{text}'; expected a whole number of 0 or more, below 2^63")
    return int(text)


def _bench_options(parser: _Parser) -> None:
    from burnin.cli import bench_options

    bench_options.bench_options(parser)
    bench_options.survey_options(parser)


def _sockets(commands: _Commands) -> None:
    _command(
        commands, "sockets", "one known stick round every USB socket: verified read, speed, label"
    ).afterwards(_sockets_options)


def _sockets_options(parser: _Parser) -> None:
    from burnin.cli import bench_options

    bench_options.sockets_options(parser)


def _inspect(commands: _Commands) -> None:
    parser = _command(commands, "inspect", "inventory and checklist only: no load, a few seconds")
    _paperwork(parser)
    parser.add_argument(
        "--tree",
        metavar="DIR",
        help="read a recorded machine tree (a folder with proc/ and sys/) instead of this machine",
    )
    parser.add_argument("--write-order", metavar="FILE", help="make an order sheet from the machine as found")


def _evidence(commands: _Commands) -> None:
    """Add the commands that keep, check and hand out evidence."""
    from burnin.cli import evidence_options as of

    of.certify_options(
        _command(commands, "certify", "write the certificate and the result again from a journal")
    )
    of.verify_options(
        _command(commands, "verify", "check a certificate, a result, a journal or a bundle against its seal")
    )
    of.recover_options(
        _command(commands, "recover", "close runs that a reset, a hang or a power cut left open")
    )
    of.seal_key_options(_command(commands, "seal-key", "make the workshop's key, with which runs are sealed"))
    of.bundle_options(_command(commands, "bundle", "put a run into one file, to attach to its order"))
    of.watch_options(_command(commands, "watch", "follow a run of this machine from a second terminal"))
    of.export_options(
        _command(commands, "export", "write a run's readings as CSV, its findings as JUnit XML")
    )


def _frames(commands: _Commands) -> None:
    parser = _command(commands, "frames", "judge a frame-time log against a headset's refresh rate")
    parser.add_argument("log", metavar="LOG", help="text with a column of frame times or presentation times")
    parser.add_argument("--checklist", metavar="C", help="take the refresh rate from this checklist")
    parser.add_argument("--refresh", metavar="HZ", type=float, help="refresh rate in Hz")
    parser.add_argument("--column", metavar="NAME", help="which column, by its heading or its number from 1")
    parser.add_argument("--unit", choices=("s", "ms", "us", "ns"), help="unit of that column")


def _catalog(commands: _Commands) -> None:
    parser = _command(
        commands, "catalog", "what is on hand: loads, sources, probes, criteria, plans, checklists"
    )
    parser.add_argument(
        "--march",
        action="store_true",
        help="which memory faults each march test finds, on paper and as it runs",
    )


def _reproduce(commands: _Commands) -> None:
    _command(commands, "reproduce", "one load on one core again: does a wrong result come back?").afterwards(
        _reproduce_options
    )


def _reproduce_options(parser: _Parser) -> None:
    from burnin.cli import load_options

    load_options.reproduce_options(parser)


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
    for name, about in (
        ("retest", "the same plan again after a change, and the comparison"),
        ("compare", "two runs side by side: what changed, and what is noise"),
        ("ledger", "the shop's records: every run once, searched, followed, rebuilt"),
        ("tune", "a ladder of settings made by hand, and the one to ship"),
    ):
        _command(commands, name, about).afterwards(_workshop_options)


def _workshop_options(parser: _Parser) -> None:
    from burnin.cli import workshop_options

    getattr(workshop_options, f"{parser.prog.rpartition(' ')[2]}_options")(parser)


def main(arguments: Sequence[str]) -> int:
    """Run one command and return its exit code; every error ends in a plain message."""
    parser = build_parser(whole=False)
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
        from burnin.cli.screen import aside

        aside(f"burnin: {error.message}")
        if error.hint:
            aside(f"  What to do: {error.hint}")
        return USAGE
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        print("burnin: stopped", file=sys.stderr)
        return 4


def _dispatch_evidence(options: argparse.Namespace) -> int:
    match options.command:
        case "certify":
            from burnin.cli.certify import certify as command
        case "verify":
            from burnin.cli.verify import verify as command
        case "recover":
            from burnin.cli.recover import recover as command
        case "seal-key":
            from burnin.cli.seal_key import seal_key as command
        case "bundle":
            from burnin.cli.bundle import bundle as command
        case "watch":
            from burnin.cli.watch import watch as command
        case _:
            from burnin.cli.export import export as command
    return command(options)


def _dispatch(options: argparse.Namespace) -> int:
    match options.command:
        case "accept":
            from burnin.cli.accept import accept as command
        case "inspect":
            from burnin.cli.inspect import inspect as command
        case "certify" | "verify" | "recover" | "seal-key" | "bundle" | "watch" | "export":
            return _dispatch_evidence(options)
        case "frames":
            from burnin.cli.frames import frames as command
        case "catalog":
            from burnin.cli.catalog import catalog as command
        case "sockets":
            from burnin.cli.sockets import sockets as command
        case "reproduce":
            from burnin.cli.reproduce import reproduce as command
        case "compare":
            from burnin.cli.compare import compare as command
        case "ledger":
            from burnin.cli.ledger import ledger as command
        case "retest":
            from burnin.cli.retest import retest as command
        case "tune":
            from burnin.cli.tune import tune as command
        case _:
            from burnin.cli.rehearse import rehearse as command
    return command(options)
