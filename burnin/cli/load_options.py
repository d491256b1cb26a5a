"""Options of the commands about single loads."""

from __future__ import annotations

import argparse


def reproduce_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin reproduce``."""
    parser.add_argument("--load", metavar="L", required=True, help="name of the load")
    parser.add_argument(
        "--core", metavar="N", type=_number, help="logical CPU that is suspected (default: the last)"
    )
    parser.add_argument(
        "--beside",
        metavar="M",
        type=_number,
        help="logical CPU that does the same work (default: another core)",
    )
    parser.add_argument("--seed", metavar="S", type=_number, required=True, help="seed as printed, 0x...")
    parser.add_argument("--step", metavar="K", type=_number, default=0, help="step of the wrong result")
    parser.add_argument(
        "--param",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="parameter of the load; may be given several times",
    )
    parser.add_argument("--pulsed", action="store_true", help="short steps in pulses, as in a pulsed stage")
    parser.add_argument("--seconds", metavar="T", type=float, default=10.0, help="how long (default: 10)")
    parser.add_argument(
        "--yes", action="store_true", help="the cautions are known and accepted (for scripts)"
    )


def _number(text: str) -> int:
    try:
        value = int(text, 16) if text.startswith("0x") else int(text)
    except ValueError:
        value = -1
    if not 0 <= value < 1 << 63:
        raise argparse.ArgumentTypeError(
            f"found '{text}'; expected a whole number of 0 or more, below 2^63, or 0x and hex digits"
        )
    return value
