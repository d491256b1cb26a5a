"""The page of commands against the parser: nothing is missing, nothing is made up."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest

from burnin.cli.main import build_parser

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"


def subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Every command by its words, those with commands of their own by both ("ledger list")."""
    found = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, each in action.choices.items():
                found[name] = each
                found |= {f"{name} {inner}": below for inner, below in subparsers(each).items()}
    return found


def offered(parser: argparse.ArgumentParser) -> set[str]:
    """Every option and argument as its row must begin."""
    rows = set()
    for action in parser._actions:
        if isinstance(action, argparse._HelpAction | argparse._SubParsersAction):
            continue
        value = action.metavar or ("{" + ",".join(action.choices) + "}" if action.choices else "")
        rows.add(" ".join([*action.option_strings, str(value)]).strip())
    return rows


def documented(text: str) -> dict[str, set[str]]:
    """Command to the first cells of its table, heading of the section to nothing."""
    found = {}
    for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        title, _, body = part.partition("\n")
        rows = re.findall(r"^\| `((?:[^`])+)` \|", body, flags=re.MULTILINE)
        if title.startswith("burnin"):
            found[title.removeprefix("burnin").strip()] = {row.replace(r"\|", "|") for row in rows}
    return found


def differences(parser: argparse.ArgumentParser, text: str) -> list[str]:
    wanted = {name: offered(each) for name, each in subparsers(parser).items()}
    wanted[""] = offered(parser) | {"-h, --help"}
    told = documented(text)
    return [
        f"{name or 'burnin'}: {row}: {'not documented' if row in wanted.get(name, set()) else 'does not exist'}"
        for name in sorted(wanted.keys() | told.keys())
        for row in sorted(wanted.get(name, {"(command)"}) ^ told.get(name, set()))
    ]


def test_the_page_tells_what_the_parser_offers() -> None:
    assert differences(build_parser(), PAGE.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("| `--seed N` |", "| `--sead N` |", "accept: --seed N: not documented"),
        ("| `--seed N` |", "| `--sead N` |", "accept: --sead N: does not exist"),
        ("| `--note TEXT` |", "| `--note WORDS` |", "accept: --note TEXT: not documented"),
        ("## burnin catalog", "## burnin catalogue", "catalog: --json: not documented"),
        ("## burnin recover", "## Recover", "recover: --out DIR: not documented"),
    ],
)
def test_a_page_that_is_wrong_is_found_out(old: str, new: str, told: str) -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert old in text
    assert told in differences(build_parser(), text.replace(old, new))


def test_a_new_command_must_be_told() -> None:
    parser = build_parser()
    (action,) = (each for each in parser._actions if isinstance(each, argparse._SubParsersAction))
    action.add_parser("polish").add_argument("--cloth")
    assert "polish: --cloth: not documented" in differences(parser, PAGE.read_text(encoding="utf-8"))


def test_every_command_has_json() -> None:
    assert all("--json" in offered(each) for each in subparsers(build_parser()).values())


def test_the_page_states_the_defaults_of_the_parser() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for name, parser in subparsers(build_parser()).items():
        section = text.partition(f"## burnin {name}\n")[2].split("\n## ")[0]
        for action in parser._actions:
            if isinstance(action.default, str) and action.default and action.default != argparse.SUPPRESS:
                (row,) = (
                    line for line in section.split("\n") if line.startswith(f"| `{action.option_strings[0]} ")
                )
                assert row.rstrip().endswith(f"| `{action.default}` |")
