"""Options about what happens at the bench: instruments, leak hold, sockets."""

from __future__ import annotations

import argparse


def bench_options(parser: argparse.ArgumentParser) -> None:
    """Add what an operator can tell a run."""
    parser.add_argument(
        "--reading",
        metavar="NAME=VALUE:UNIT[:INSTRUMENT[:UNCERTAINTY[:PLACE[:CALIBRATED]]]]",
        action="append",
        default=[],
        help="what an instrument read, for example room=22.4:degC:thermometer:0.5; may be given several times",
    )
    parser.add_argument(
        "--leak-hold",
        metavar="START;END;DRY_AT;WHO",
        help="the leak hold of a liquid-cooled machine before its first soak",
    )


def survey_options(parser: argparse.ArgumentParser) -> None:
    """Add what is done to the machine before a run, where it is asked for."""
    parser.add_argument(
        "--fan-survey",
        action="store_true",
        help="step every fan and pump header through its duties before the run (administrator's rights; minutes)",
    )


def sockets_options(parser: argparse.ArgumentParser) -> None:
    """Add what a walk round the sockets needs."""
    parser.add_argument(
        "--stick", metavar="DIR", required=True, help="folder where the known stick is mounted"
    )
    parser.add_argument(
        "--yes", action="store_true", help="a file of 32 MiB may be written to the stick (for scripts)"
    )
