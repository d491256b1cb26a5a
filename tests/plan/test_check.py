from __future__ import annotations

import datetime as dt
import math

import msgspec
import pytest

from burnin.plan.check import problems_of
from burnin.records.plan import LoadUse, Plan, Stage

PLAN = msgspec.inspect.type_info(Plan)


def problems(value: object, kind: type = Plan) -> dict[str, tuple[str, str]]:
    found = problems_of(value, msgspec.inspect.type_info(kind))
    return {each.place: (each.found, each.expected) for each in found}


def test_a_right_table_has_no_problem() -> None:
    table = {"format": 1, "name": "x", "title": "X", "stages": [{"name": "a", "duration_s": 1}], "seed": 3}
    assert problems(table) == {}


def test_all_problems_come_at_once_with_place_found_and_expected() -> None:
    table = {
        "format": 2,
        "name": "x",
        "first_look": "yes",
        "ambient_c": [],
        "stages": [{"name": 3, "duration_s": "long", "speed": 1}, "none"],
        "roles": [1],
    }
    found = problems(table)
    assert found["format"] == ("the number 2", "1")
    assert found["title"] == ("nothing", "text")
    assert found["first_look"] == ("the text 'yes'", "true or false")
    assert found["ambient_c"] == ("an empty list", "a number")
    assert found["stages[1].name"] == ("the number 3", "text")
    assert found["stages[1].duration_s"] == ("the text 'long'", "a number")
    assert found["stages[1].speed"][0] == "an unknown key"
    assert "duration_s" in found["stages[1].speed"][1]
    assert found["stages[2]"] == ("the text 'none'", "a table")
    assert found["roles"] == ("a list", "a table")


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (True, "true"),
        (False, "false"),
        (dt.date(2026, 1, 1), "a date"),
        ({}, "an empty table"),
        ({"a": 1}, "a table"),
        ("x" * 50, "the text '" + "x" * 37 + "...'"),
    ],
)
def test_what_was_found_is_told_in_words(value: object, told: str) -> None:
    assert problems({"format": 1, "name": "x", "title": "X", "sample_hz": value})["sample_hz"][0] == told


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_must_be_finite(value: float) -> None:
    assert "sample_hz" in problems({"format": 1, "name": "x", "title": "X", "sample_hz": value})


def test_true_is_no_number_and_one_is_no_true() -> None:
    base = {"format": 1, "name": "x", "title": "X"}
    assert "seed" in problems({**base, "seed": True})
    assert "seed" in problems({**base, "seed": 1.5})
    assert "first_look" in problems({**base, "first_look": 1})
    assert "format" in problems({**base, "format": True})


def test_a_choice_lists_what_may_stand_there() -> None:
    found = problems({"name": "a", "kind": "warm"}, Stage)
    assert found["kind"][1].startswith("one of 'combined', 'cool_down'")


def test_a_union_with_a_list_reports_the_item() -> None:
    assert problems({"load": "m", "cores": [0, "x"]}, LoadUse)["cores[2]"] == (
        "the text 'x'",
        "a whole number",
    )
    assert (
        "one of 'all', 'one' or a list of a whole number"
        in problems({"load": "m", "cores": 3}, LoadUse)["cores"][1]
    )


def test_a_list_where_a_table_is_wanted_and_the_other_way_round() -> None:
    assert problems([], Plan)[""] == ("an empty list", "a table")
    assert problems({"format": 1, "name": "x", "title": "X", "plugins": {}})["plugins"] == (
        "an empty table",
        "a list of text",
    )
    assert (
        problems({"format": 1, "name": "x", "title": "X", "roles": {"a": 1}})["roles.a"][0] == "the number 1"
    )
