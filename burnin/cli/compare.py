"""``burnin compare``: two runs side by side; what changed, what differs, what is noise."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from msgspec.structs import asdict

from burnin.calc.compare import Repeatability
from burnin.cli.ledger_import import entry_from, judged
from burnin.cli.ledger_place import ledger_url, open_ledger
from burnin.cli.named_run import find_run, read_named
from burnin.cli.outcome import write_whole
from burnin.cli.screen import say, say_json
from burnin.errors import InputError
from burnin.ledger.queries import repeats
from burnin.records.view import RunView
from burnin.report.comparison import Compared, comparison_lines, render_comparison, summary
from burnin.review.run_comparison import Key, compare_runs, outcome_changes, overall, spreads_of

EXIT_CODES: Final = {"differs": 1, "same": 0, "not_comparable": 3}


def compare(options: argparse.Namespace) -> int:
    """Compare two runs; return 1 when they differ, 0 when no difference is shown, 3 when not all is comparable."""
    before, after = (read_named(find_run(name, options.url)) for name in (options.before, options.after))
    compared = compared_runs(before, after, options)
    return tell_comparison(options, compared)


def compared_runs(before: RunView, after: RunView, options: argparse.Namespace) -> Compared:
    """Return the comparison that ``--repeatability`` and ``--url`` allow."""
    baselines = _baselines(options.repeatability, options.url, (before, after))
    records = _records(before, after, options.url)
    comparison = compare_runs(before, after, baselines=baselines, records=records)
    (old, first), (new, second) = judged(before), judged(after)
    outcomes = outcome_changes(old, new)
    return Compared(
        views=(before, after),
        verdicts=(first, second),
        comparison=comparison,
        outcomes=outcomes,
        overall=overall(comparison, outcomes),
    )


def tell_comparison(options: argparse.Namespace, compared: Compared) -> int:
    """Print the comparison, write its page where one is asked for, and return the exit code."""
    page = Path(options.page) if options.page else None
    if page is not None:
        write_whole(page, render_comparison(compared))
    if options.json:
        say_json(comparison_json(compared, page))
    else:
        for line in comparison_lines(compared):
            say(line)
        if page is not None:
            say(str(page))
    return EXIT_CODES[compared.overall]


def comparison_json(compared: Compared, page: Path | None) -> dict[str, Any]:
    """Return the comparison for programs."""
    return {
        "overall": compared.overall,
        "exit_code": EXIT_CODES[compared.overall],
        "summary": list(summary(compared)),
        **asdict(compared.comparison),
        "machine": [asdict(one) for one in compared.comparison.machine],
        "figures": [asdict(one) for one in compared.comparison.figures],
        "outcomes": [asdict(one) for one in compared.outcomes],
        "page": str(page) if page else None,
    }


def _baselines(names: Sequence[str], url: str | None, pair: tuple[RunView, RunView]) -> tuple[RunView, ...]:
    known = {pair[0].opened.run_id}
    found = []
    for name in names:
        view = read_named(find_run(name, url))
        if view.opened.run_id == pair[1].opened.run_id:
            raise InputError(
                f"--repeatability {name}: found the second run itself; expected runs of the machine as it was before",
                slug="compare-baseline",
            )
        if view.opened.run_id not in known:
            known.add(view.opened.run_id)
            found.append(view)
    return tuple(found)


def _records(before: RunView, after: RunView, url: str | None) -> Mapping[Key, Repeatability]:
    """Return what repeated runs of the family on record showed; nothing where there is no ledger."""
    place = ledger_url(url)
    if "://" not in place and not Path(place).is_file():
        return {}
    ledger = open_ledger(url)
    try:
        groups = repeats(ledger.database, entry_from(before, Path()).run, without=after.opened.run_id)
    finally:
        ledger.close()
    return spreads_of(groups)
