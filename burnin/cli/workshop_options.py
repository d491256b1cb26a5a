"""Options of the commands that look across runs: ledger, compare, retest, tune."""

from __future__ import annotations

import argparse
from typing import Final

from burnin.cli.bench_options import bench_options
from burnin.cli.evidence_options import signing_option

_URL: Final = "the ledger: a file, or postgresql://HOST/NAME (default: BURNIN_LEDGER, else a file in the user's data folder)"
_RUN: Final = "a run's folder, its journal.jsonl, its bundle, or its id in the ledger"


def ledger_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin ledger``."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True, parser_class=type(parser))

    def action(name: str, about: str) -> argparse.ArgumentParser:
        added = actions.add_parser(name, help=about, description=about, allow_abbrev=False)
        added.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON object"
        )
        added.add_argument("--url", metavar="URL", help=_URL)
        return added

    _list_options(action("list", "runs on record, newest first"))
    action("show", "everything on record about a run").add_argument(
        "run", metavar="RUN", help="its id, or the beginning of it"
    )
    imported = action("import", "put runs on record, each once; runs that are not closed are left out")
    imported.add_argument("paths", metavar="PATH", nargs="+", help="runs, bundles, or folders that hold runs")
    export = action(
        "export", "every run on record with its parts, figures and judgements, one JSON object a line"
    )
    export.add_argument("--out", metavar="FILE", help="where to write (default: standard output)")
    _trend_options(action("trend", "a figure over runs and builds, with control charts"))
    _forget_options(
        action("forget", "erase a customer's data from the ledger; journals and seals are not touched")
    )
    rebuild = action("rebuild", "work out every row anew from the journals")
    rebuild.add_argument("paths", metavar="PATH", nargs="*", help="further runs, or folders that hold runs")


def _list_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("words", metavar="WORD", nargs="*", help="only runs with words that begin like these")
    parser.add_argument("--order-number", metavar="N", default="", help="only this order")
    parser.add_argument(
        "--serial", metavar="S", default="", help="only this machine, or the machine with this part"
    )
    parser.add_argument("--customer", metavar="C", default="", help="only this customer reference")
    parser.add_argument("--part", metavar="TEXT", default="", help="only machines with a part of such a name")
    parser.add_argument(
        "--verdict", choices=("accepted", "rejected", "inconclusive"), default="", help="only this verdict"
    )
    parser.add_argument(
        "--most", metavar="N", type=int, default=50, help="newest runs to show, 0 for all (default: 50)"
    )


def _trend_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "figure", metavar="FIGURE", nargs="?", help="which figure; without it, those on record are listed"
    )
    parser.add_argument("--stage", metavar="NAME", help="stage the figure is from, where several have it")
    parser.add_argument("--unit", metavar="UNIT", help="unit of the figure, where it is kept in several")
    parser.add_argument(
        "--like",
        metavar="RUN",
        help="only this run's family (same processor, cooler and case), and where it stands",
    )


def _forget_options(parser: argparse.ArgumentParser) -> None:
    whose = parser.add_mutually_exclusive_group(required=True)
    whose.add_argument("customer", metavar="CUSTOMER", nargs="?", help="customer reference")
    whose.add_argument(
        "--older-than", metavar="DAYS", type=float, help="all customers, from runs older than this"
    )
    parser.add_argument("--yes", action="store_true", help="erase; without it, only say what would be erased")


def compare_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin compare``."""
    parser.add_argument("before", metavar="RUN", help=_RUN)
    parser.add_argument("after", metavar="RUN", help="the run it is compared with")
    _comparison(parser)


def retest_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin retest``, but those of the paperwork."""
    parser.add_argument("run", metavar="RUN", help=_RUN)
    parser.add_argument(
        "--note",
        metavar="TEXT",
        default="",
        help="what was changed; without it, the machine counts as unchanged",
    )
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="where the run's folder is made (default: runs)"
    )
    parser.add_argument(
        "--yes", action="store_true", help="the cautions are known and accepted (for scripts)"
    )
    parser.add_argument(
        "--answer",
        metavar="LINE=yes|no[:REMARK]",
        action="append",
        default=[],
        help="answer to a checklist line that cannot be measured; answers of the earlier run are not taken over",
    )
    bench_options(parser)
    parser.add_argument(
        "--metrics",
        metavar="FILE",
        help="keep the present values in this OpenMetrics text file, for collectors",
    )
    signing_option(parser)
    _comparison(parser)


def _comparison(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--repeatability",
        metavar="RUN",
        nargs="+",
        default=[],
        help="further runs of the unchanged machine (two or more), from which the spread between runs is taken",
    )
    parser.add_argument("--url", metavar="URL", help=_URL)
    parser.add_argument("--page", metavar="FILE", help="write the comparison as a page (.html)")


def tune_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of ``burnin tune``."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True, parser_class=type(parser))

    def action(name: str, about: str) -> argparse.ArgumentParser:
        added = actions.add_parser(name, help=about, description=about, allow_abbrev=False)
        added.add_argument("ladder", metavar="LADDER", help="name of the ladder")
        added.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help="print one JSON object"
        )
        added.add_argument(
            "--folder", metavar="DIR", help="folder of the ladders (default: in the user's data folder)"
        )
        return added

    _new_options(action("new", "begin a ladder"))
    _rung_options(action("add", "declare the next bolder rung"))
    bar = action("bar", "rule a rung out for good, for example since the machine does not start with it")
    bar.add_argument("rung", metavar="RUNG", type=int, help="its number")
    bar.add_argument("--reason", metavar="TEXT", required=True, help="why")
    _run_options(action("run", "try the next rung, set by hand, until it is decided"))
    action("show", "what was shown so far, and which setting to ship")


def _new_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--good-rate",
        metavar="PER_HOUR",
        type=float,
        default=0.06,
        help="faults an hour that a rung may have (default: 0.06)",
    )
    parser.add_argument(
        "--bad-rate",
        metavar="PER_HOUR",
        type=float,
        default=6.0,
        help="faults an hour that it must not have (default: 6)",
    )
    parser.add_argument(
        "--risk",
        metavar="SHARE",
        type=float,
        default=0.05,
        help="nominal risk of a wrong answer, either way (default: 0.05)",
    )
    parser.add_argument(
        "--margin",
        metavar="RUNGS",
        type=int,
        default=1,
        help="how many rungs below the boldest proven one to ship (default: 1)",
    )


def _rung_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "settings",
        metavar="KEY=VALUE[:UNIT]",
        nargs="+",
        help="what is set by hand, for example 'core voltage=1.30:V'",
    )
    parser.add_argument(
        "--before", metavar="RUNG", type=int, help="put it just below this rung instead of on top"
    )
    parser.add_argument("--note", metavar="TEXT", default="", help="a note to keep with the rung")


def _run_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--plan",
        metavar="P",
        help="plan whose last hot stage is made as long as needed (default: first-look)",
    )
    parser.add_argument(
        "--out", metavar="DIR", default="runs", help="where the runs' folders are made (default: runs)"
    )
    parser.add_argument("--workshop", metavar="FILE", help="who tests: workshop.toml")
    parser.add_argument(
        "--most-minutes", metavar="N", type=float, default=60.0, help="longest single run (default: 60)"
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help="the settings are set, the cautions known and accepted (for scripts)",
    )
