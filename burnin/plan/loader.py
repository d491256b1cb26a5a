"""From a plan's name or file to a validated plan."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import msgspec

from burnin.errors import InputError, InputProblems, Problem
from burnin.plan.rules import KnownPlugins, plan_problems
from burnin.plan.toml_file import convert, parse_table, read_bytes
from burnin.records.codec import sha256_hex
from burnin.records.paperwork import Checklist, Order, Workshop
from burnin.records.plan import Plan

_HERE: Final = Path(__file__).parent
SHIPPED_PLANS: Final = _HERE / "plans"
SHIPPED_CHECKLISTS: Final = _HERE / "checklists"
DEFAULT_PLAN: Final = "first-look"
DEFAULT_CHECKLIST: Final = "first-generation-tethered"


def shipped(folder: Path) -> dict[str, Path]:
    """Return name to file of everything shipped in ``folder``."""
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def find(name_or_file: str, folder: Path, what: str) -> Path:
    """Return the file that ``name_or_file`` means: a shipped name, or a path.

    Raises:
        InputError: it is neither.
    """
    known = shipped(folder)
    if name_or_file in known:
        return known[name_or_file]
    if (
        name_or_file.endswith(".toml")
        or "/" in name_or_file
        or "\\" in name_or_file
        or Path(name_or_file).exists()
    ):
        return Path(name_or_file)
    raise InputError(
        f"--{what} {name_or_file}: found no shipped {what} of that name and no such file; expected one of "
        f"{', '.join(known)}, or a path to a .toml file",
        slug=f"{what}-unknown",
        hint="Run: burnin catalog",
    )


def load_plan(name_or_file: str, known: KnownPlugins) -> tuple[Plan, str]:
    """Return a validated plan and the digest of its file.

    Raises:
        InputError: no such plan, or no readable file.
        InputProblems: all its problems together.
    """
    path = find(name_or_file, SHIPPED_PLANS, "plan")
    data = read_bytes(path, "plan")
    table = parse_table(data, file=str(path), what="plan")
    if "name" in table:
        place = Problem(
            place="name", found="a name", expected="no such key: a plan is called by its file's name"
        )
        raise InputProblems(str(path), [place], slug="plan-invalid")
    plan = convert({**table, "name": path.stem}, Plan, file=str(path), what="plan")
    problems = plan_problems(plan, known)
    if problems:
        raise InputProblems(
            str(path), problems, slug="plan-invalid", hint="Every key is described in docs/plans.md."
        )
    return plan, sha256_hex(data)


def plugins_named(name_or_file: str) -> tuple[str, ...]:
    """Return the third-party plugins a plan switches on, before the plan itself is checked.

    Raises:
        InputError: no such plan, or no readable file.
    """
    path = find(name_or_file, SHIPPED_PLANS, "plan")
    named = parse_table(read_bytes(path, "plan"), file=str(path), what="plan").get("plugins", [])
    return tuple(each for each in named if isinstance(each, str)) if isinstance(named, list) else ()


def load_checklist(name_or_file: str) -> Checklist:
    """Return a validated checklist.

    Raises:
        InputError: no such checklist, or no readable file.
        InputProblems: all its problems together.
    """
    path = find(name_or_file, SHIPPED_CHECKLISTS, "checklist")
    table = parse_table(read_bytes(path, "checklist"), file=str(path), what="checklist")
    table = {**table, "name": path.stem}
    checklist = convert(table, Checklist, file=str(path), what="checklist")
    if not checklist.lines:
        none = Problem(place="lines", found="no line", expected="at least one [[lines]] table")
        raise InputProblems(str(path), [none], slug="checklist-invalid")
    ids = [line.id for line in checklist.lines]
    doubles = [each for number, each in enumerate(ids) if each in ids[:number]]
    if doubles:
        twice = [
            Problem(place="lines", found=f"the id '{each}' twice", expected="ids that occur once")
            for each in doubles
        ]
        raise InputProblems(str(path), twice, slug="checklist-invalid")
    return checklist


def load_order(file: str) -> Order:
    """Return a validated order sheet."""
    table = parse_table(read_bytes(Path(file), "order"), file=file, what="order")
    return convert(table, Order, file=file, what="order")


def load_workshop(file: Path) -> Workshop:
    """Return the workshop's identity."""
    table = parse_table(read_bytes(file, "workshop"), file=str(file), what="workshop")
    return convert(table, Workshop, file=str(file), what="workshop")


def with_seed(plan: Plan, seed: int | None) -> Plan:
    """Return the plan with another seed, or as it is for None."""
    return plan if seed is None else msgspec.structs.replace(plan, seed=seed)
