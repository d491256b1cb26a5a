"""The page of plans against the records and the plugins: every key and parameter is there, its examples load."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from burnin.plan.loader import SHIPPED_CHECKLISTS, SHIPPED_PLANS, load_plan, shipped
from burnin.plan.rules import KnownPlugins
from burnin.plugin.discovery import discover
from burnin.records import paperwork, plan
from burnin.records.channels import Role

PAGE = (Path(__file__).parents[2] / "docs" / "plans.md").read_text(encoding="utf-8")
FIRST_CELLS = {
    word
    for cell in re.findall(r"^\| ([^|]*) \|", PAGE, re.MULTILINE)
    for word in re.findall(r"`(\w+)`", cell)
}
RECORDS = (
    plan.Plan, plan.Stage, plan.LoadUse, plan.Shape, plan.CriterionUse, plan.Waiver, plan.Limits,
    paperwork.Checklist, paperwork.ChecklistLine, paperwork.Order, paperwork.PartOrdered, paperwork.Targets, paperwork.Workshop,
)  # fmt: skip


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.__name__)
def test_every_key_has_its_row(record: type) -> None:
    from_file_name = {"name"} if record in {plan.Plan, paperwork.Checklist} else set()
    assert set(record.__struct_fields__) - from_file_name <= FIRST_CELLS


@pytest.mark.parametrize("literal", [Role, paperwork.LineKind, plan.StageKind, plan.ShapeKind])
def test_every_word_that_may_be_chosen_is_told(literal: object) -> None:
    assert set(get_args(literal)) <= FIRST_CELLS


def test_every_load_and_criterion_with_parameters_has_them_told() -> None:
    rows = PAGE.splitlines()
    missing = []
    for found in (*discover("loads"), *discover("criteria")):
        if found.name == "matrix_single":  # told as "as matrix"
            continue
        mine = [row for row in rows if re.match(rf"\| [^|]*`{found.name}`[^|]* \|", row) and "(" in row]
        missing += [
            f"{found.name}: {each.name}"
            for each in found.plugin.spec.params
            if not any(f"`{each.name}`" in row for row in mine)
        ]
    assert missing == []


def test_shipped_plans_and_checklists_are_named() -> None:
    named = {name for folder in (SHIPPED_PLANS, SHIPPED_CHECKLISTS) for name in shipped(folder)}
    assert [name for name in named if f"`{name}`" not in PAGE] == []


def test_the_whole_plan_of_the_page_loads(tmp_path: Path) -> None:
    text = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)[-1]
    file = tmp_path / "two-hours.toml"
    file.write_text(text, encoding="utf-8")
    known = KnownPlugins(
        loads={each.name: each.plugin.spec for each in discover("loads")},
        criteria={each.name: each.plugin.spec for each in discover("criteria")},
    )
    loaded, _ = load_plan(str(file), known)
    assert loaded.longest_s == 7500
    assert len(loaded.waivers) == 1


def test_every_example_is_toml() -> None:
    examples = [
        row.rsplit("| `", 1)[1].rstrip(" |`")
        for row in PAGE.splitlines()
        if re.match(r"\| `.*\| `[^|]*=[^|]*` \|$", row)
    ]
    assert len(examples) > 60
    for example in examples:
        tomllib.loads(example.replace("<svg xmlns=...>...</svg>", ""))
