from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from burnin.errors import InputError, InputProblems
from burnin.plan import loader
from burnin.plan.rules import KnownPlugins
from burnin.plugin.contracts import CriterionSpec, LoadSpec, Param

LOAD = LoadSpec(
    title="t",
    proves="p",
    does_not_prove="d",
    resource="cpu",
    unit="u",
    params=(
        Param(name="n", default=8, about="size", low=2, high=16),
        Param(name="ratio", default=0.5, about="share", low=0.0),
        Param(name="kind", default="a", about="which", choices=("a", "b")),
        Param(name="text", default="", about="free"),
        Param(name="flag", default=False, about="on or off"),
        Param(name="step", default=1, about="step", choices=(1, 2)),
    ),
)
KNOWN = KnownPlugins(
    loads={
        "spin": LOAD,
        "plain": LoadSpec(title="t", proves="p", does_not_prove="d", resource="cpu", unit="u"),
    },
    criteria={"rule": CriterionSpec(title="r"), "guard": CriterionSpec(title="g", safety=True)},
    broken={"bent": "it is bent"},
)
GOOD = """
format = 1
title = "T"
[[stages]]
name = "one"
duration_s = 3
[[stages.loads]]
load = "spin"
params = { n = 4, ratio = 1, kind = "b", text = "x", flag = true, step = 2 }
[[criteria]]
criterion = "rule"
stage = "one"
"""


@pytest.fixture
def write(tmp_path: Path):
    def writer(text: str | bytes, name: str = "p.toml") -> str:
        path = tmp_path / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return str(path)

    return writer


def told(file: str) -> str:
    with pytest.raises(InputError) as caught:
        loader.load_plan(file, KNOWN)
    assert file.rsplit("/", maxsplit=1)[-1] in caught.value.message
    return caught.value.message


def test_a_good_plan_is_named_after_its_file_and_digested(write) -> None:
    file = write(GOOD, "my-plan.toml")
    plan, digest = loader.load_plan(file, KNOWN)
    assert plan.name == "my-plan"
    assert digest == hashlib.sha256(Path(file).read_bytes()).hexdigest()
    assert loader.with_seed(plan, 7).seed == 7
    assert loader.with_seed(plan, None) is plan


@pytest.mark.parametrize("name", ["first-look", "one-hour", "one-night"])
def test_shipped_plans_fit_the_shipped_plugins(name: str) -> None:
    from burnin.cli.equipment import everything, known_plugins

    plan, _ = loader.load_plan(name, known_plugins(everything()))
    assert plan.stages[0].kind == "idle"
    assert plan.stages[-1].kind == "cool_down"
    assert any(stage.kind == "combined" for stage in plan.stages)
    under_load_min = sum(stage.longest_s for stage in plan.stages if stage.loads) / 60
    assert plan.first_look or under_load_min >= plan.minimum_minutes


@pytest.mark.parametrize("name", sorted(loader.shipped(loader.SHIPPED_CHECKLISTS)))
def test_shipped_checklists_can_be_read(name: str) -> None:
    assert loader.load_checklist(name).lines


def test_a_missing_file_an_unknown_name_and_a_folder(write, tmp_path: Path) -> None:
    assert "no such file" in told(str(tmp_path / "none.toml"))
    with pytest.raises(InputError, match="found no shipped plan of that name") as caught:
        loader.load_plan("nosuch", KNOWN)
    assert "first-look" in caught.value.message
    folder = tmp_path / "folder.toml"
    folder.mkdir()
    assert "is a directory" in told(str(folder))


def test_empty_binary_and_oversized_files(write) -> None:
    assert "found an empty file" in told(write(""))
    assert "found an empty file" in told(write("  \n"))
    assert "no UTF-8 text" in told(write(b"\xff\xfe\x00\x81" * 10))
    assert "binary data" in told(write(b"\x00\x01\x02"))
    assert "more than 1 MiB" in told(write(b"#" * (1 << 20) + b"\n" * 5))


def test_syntax_errors_name_the_place(write) -> None:
    message = told(write('format = 1\ntitle = "x\n'))
    assert "line 2" in message
    assert "expected TOML" in message
    assert "found" in told(write("a = " + "[" * 5000))


def test_a_name_in_the_file_is_refused(write) -> None:
    assert "a plan is called by its file's name" in told(write('format = 1\nname = "x"\ntitle = "y"\n'))


def test_every_problem_of_a_plan_is_told_at_once(write) -> None:
    text = """
    format = 1
    title = "T"
    sample_hz = 100
    ambient_c = 90
    seed = -1
    minimum_minutes = -1
    [roles]
    board = "coolent"
    [limits]
    cpu_c = 900
    [[stages]]
    name = "a"
    duration_s = -1
    [[stages.loads]]
    load = "nosuch"
    [[stages]]
    name = "a"
    duration_s = 1
    until = "steady"
    kind = "idle"
    [[stages.loads]]
    load = "spin"
    cores = []
    params = { n = 1, ratio = -1, kind = "c", text = 1, flag = 1, step = 3, more = 1 }
    [[stages.criteria]]
    criterion = "bent"
    [[stages]]
    name = "b"
    [[stages.loads]]
    load = "plain"
    cores = [-1]
    params = { x = true }
    [[stages]]
    name = "c"
    until = "steady"
    at_least_s = 5
    at_most_s = 1
    shape = { kind = "pulsed", period_s = 0, duty = 2 }
    [[stages]]
    name = "d"
    duration_s = 1
    [[criteria]]
    criterion = "rule"
    stage = "nowhere"
    params = { x = 1 }
    [[waivers]]
    criterion = "guard"
    reason = "because"
    by = "me"
    [[waivers]]
    criterion = "rule"
    reason = " "
    by = "me"
    [[waivers]]
    criterion = "nosuch"
    reason = "x"
    by = "me"
    """
    with pytest.raises(InputProblems) as caught:
        loader.load_plan(write(text), KNOWN)
    places = {each.place: each for each in caught.value.problems}
    assert set(places) == {
        "sample_hz", "ambient_c", "seed", "minimum_minutes", "roles.board", "limits.cpu_c",
        "stages[1].duration_s", "stages[1].loads[1].load",
        "stages[2].name", "stages[2].until", "stages[2].loads", "stages[2].loads[1].cores",
        "stages[2].loads[1].params.n", "stages[2].loads[1].params.ratio", "stages[2].loads[1].params.kind",
        "stages[2].loads[1].params.text", "stages[2].loads[1].params.flag", "stages[2].loads[1].params.step",
        "stages[2].loads[1].params.more", "stages[2].criteria[1].criterion",
        "stages[3].duration_s", "stages[3].loads[1].cores", "stages[3].loads[1].params.x",
        "stages[4].at_most_s", "stages[4].loads", "stages[4].shape.period_s", "stages[4].shape.duty", "stages[5].loads",
        "criteria[1].params.x", "criteria[1].stage",
        "waivers[1].criterion", "waivers[2]", "waivers[3].criterion",
    }  # fmt: skip
    assert "it is bent" in places["stages[2].criteria[1].criterion"].found
    assert "plain, spin" in places["stages[1].loads[1].load"].expected
    assert places["stages[2].loads[1].params.n"].expected == "a whole number from 2 to 16"
    assert places["stages[2].loads[1].params.ratio"].expected == "a number of 0 or more"
    assert places["stages[2].loads[1].params.kind"].expected == "one of 'a', 'b'"
    assert places["stages[2].loads[1].params.step"].expected == "one of 1, 2"
    assert places["stages[2].loads[1].params.flag"].expected == "true or false"
    assert places["stages[2].loads[1].params.text"].expected == "text"
    assert "safety" in places["waivers[1].criterion"].expected


def test_types_of_parameters_are_not_bent(write) -> None:
    for given, expected in (
        ("n = 4.5", "whole number"),
        ('n = "4"', "whole number"),
        ("text = true", "text"),
    ):
        assert expected in told(
            write(GOOD.replace("n = 4, ", "").replace('text = "x", ', "").replace("ratio = 1", given))
        )
    assert "true or false" not in told(write(GOOD.replace("ratio = 1", "ratio = true")))


def test_a_plan_without_stages_or_longer_than_a_month(write) -> None:
    assert "at least one [[stages]] table" in told(write('format = 1\ntitle = "T"\n'))
    stages = "".join(f'[[stages]]\nname = "s{n}"\nkind = "idle"\nduration_s = 2000000\n' for n in range(2))
    assert "30 days" in told(write('format = 1\ntitle = "T"\n' + stages))


def test_checklists_orders_and_workshops(write) -> None:
    with pytest.raises(InputProblems, match="found no line"):
        loader.load_checklist(write('format = 1\ntitle = "C"\n'))
    twice = '[[lines]]\nid = "a"\nkind = "look"\ntext = "t"\n'
    with pytest.raises(InputProblems, match="the id 'a' twice"):
        loader.load_checklist(write('format = 1\ntitle = "C"\n' + twice + twice))
    assert loader.load_order(write('format = 1\norder = "A-1"\n')).order == "A-1"
    with pytest.raises(InputProblems, match="order: found nothing"):
        loader.load_order(write("format = 1\n"))
    assert loader.load_workshop(Path(write('name = "Invented Works"\n'))).name == "Invented Works"


def test_third_party_plugins_are_known_before_the_plan_is_checked(write) -> None:
    assert loader.plugins_named("first-look") == ()
    assert loader.plugins_named(write('plugins = ["a", 3, "b"]\n')) == ("a", "b")
    assert loader.plugins_named(write("plugins = 3\n")) == ()


def test_an_order_is_called_an_order(write, tmp_path) -> None:
    with pytest.raises(InputError, match="expected an order in TOML") as caught:
        loader.load_order(str(tmp_path / "none.toml"))
    assert caught.value.hint == ""
