from __future__ import annotations

from burnin.engine.agreement import Agreement, disagreement
from burnin.engine.messages import Checkpoint
from burnin.engine.news import Job


def job(core: int | None, **fields) -> Job:
    base = {
        "load_id": f"l{core}",
        "load": "spin",
        "params": {},
        "core": core,
        "seed": 5,
        "compare_digests": True,
    }
    return Job(**{**base, **fields})


def points(*pairs) -> tuple[Checkpoint, ...]:
    return tuple(Checkpoint(step=step, digest=digest) for step, digest in pairs)


def test_equal_folds_are_no_news_whatever_the_order() -> None:
    agreement = Agreement((job(0), job(1)))
    assert agreement.hear("l0", points((16, 1), (32, 2))) == []
    assert agreement.hear("l1", points((16, 1))) == []
    assert agreement.hear("l1", points((32, 2))) == []


def test_the_odd_core_out_of_three_is_named_once() -> None:
    agreement = Agreement((job(0), job(1), job(2)))
    agreement.hear("l0", points((16, 1)))
    agreement.hear("l1", points((16, 9)))
    ((blamed, values),) = agreement.hear("l2", points((16, 1)))
    assert blamed.core == 1
    assert values["who"] == "core 1"
    assert values["expected"] == "0x0000000000000001"
    assert values["found"] == "0x0000000000000009"
    assert agreement.hear("l1", points((32, 8))) == []
    assert agreement.hear("l0", points((32, 3))) == []
    event = disagreement(blamed, 2, values)
    assert (event.core, event.stage, event.step, event.fault) == (1, 2, 16, "disagreement")


def test_two_cores_have_no_majority_so_neither_is_named_alone() -> None:
    agreement = Agreement((job(0), job(1)))
    agreement.hear("l0", points((16, 1)))
    ((blamed, values),) = agreement.hear("l1", points((16, 2)))
    assert values["who"] == "core 0 or core 1"
    assert values["found_2"] == "0x0000000000000002 on core 1"
    assert disagreement(blamed, 0, values).core is None
    assert agreement.hear("l0", points((32, 1))) == []


def test_other_seeds_parameters_and_loads_are_not_compared() -> None:
    jobs = (
        job(0),
        job(1, seed=6),
        job(2, params={"n": 1}),
        job(3, compare_digests=False),
        job(None, load_id="x", load="o"),
    )
    agreement = Agreement(jobs)
    for number, load_id in enumerate(("l0", "l1", "l2", "l3", "x")):
        assert agreement.hear(load_id, points((16, number))) == []


def test_a_load_on_no_core_is_called_the_load() -> None:
    agreement = Agreement((job(None, load_id="a"), job(None, load_id="b"), job(None, load_id="c")))
    agreement.hear("a", points((1, 1)))
    agreement.hear("b", points((1, 1)))
    ((_, values),) = agreement.hear("c", points((1, 2)))
    assert values["who"] == "the load"
