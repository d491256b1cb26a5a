"""Options of the commands that keep, check and hand out evidence."""

from __future__ import annotations

import argparse
from typing import Final

_RUN: Final = "a run's folder, its journal.jsonl or its bundle"


def signing_option(parser: argparse.ArgumentParser) -> None:
    """Add the key to sign with."""
    parser.add_argument(
        "--key",
        metavar="FILE",
        help="key to sign the seal with (default: seal-key.pem in the user's settings if it is there)",
    )


def certify_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin certify``."""
    parser.add_argument("run", metavar="RUN", help=_RUN)
    parser.add_argument("--out", metavar="DIR", help="where to write (default: beside the journal)")
    signing_option(parser)


def verify_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin verify``."""
    parser.add_argument(
        "file",
        metavar="FILE",
        help="certificate.html, result.json, journal.jsonl, a run's folder or a bundle",
    )
    parser.add_argument(
        "--key", metavar="FINGERPRINT", help="the workshop's fingerprint, obtained elsewhere than from FILE"
    )


def recover_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin recover``."""
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="folder that holds the runs (default: runs)"
    )
    parser.add_argument(
        "--mains-lost",
        choices=("yes", "no", "unknown"),
        help="whether the mains had failed; asked on a terminal where this is not given",
    )
    signing_option(parser)


def seal_key_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin seal-key``."""
    parser.add_argument(
        "--out", metavar="FILE", help="where to write it (default: seal-key.pem in the user's settings)"
    )


def bundle_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin bundle``."""
    parser.add_argument("run", metavar="RUN", help=_RUN)
    parser.add_argument(
        "--out", metavar="FILE", help="where to write it (default: named after the run, here)"
    )
    parser.add_argument(
        "--for-customer",
        action="store_true",
        help="leave out hardware addresses, serial numbers of drives and the customer's name",
    )
    signing_option(parser)


def watch_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin watch``."""
    parser.add_argument("run", metavar="RUN", nargs="?", help="a run's folder (default: the newest in --out)")
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="folder that holds the runs (default: runs)"
    )


def export_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin export``."""
    parser.add_argument("run", metavar="RUN", help=_RUN)
    parser.add_argument("--out", metavar="FILE", help="where to write the readings as CSV")
    parser.add_argument("--junit", metavar="FILE", help="write the findings as JUnit XML")
