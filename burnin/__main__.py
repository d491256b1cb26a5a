"""Entry point: ``burnin`` and ``python -m burnin``."""

from __future__ import annotations

import sys

from burnin.cli.main import main


def run() -> None:
    """Run the command line and leave with its exit code."""
    sys.exit(main(sys.argv[1:]))


if __name__ == "__main__":
    run()
