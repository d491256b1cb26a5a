"""What holds for every load: its contract, repeatable digests, and flips in all its memory."""

from __future__ import annotations

from importlib import import_module

import pytest

from burnin.plugin.contracts import Load, LoadContext, LoadSession

from .conftest import SMALL, Flipper

LOADS = sorted(SMALL)
DEAD = {
    "matrix": ("session._result",),  # a product that was checked is only overwritten
    "matrix_single": ("session._result",),
    "memory_patterns": ("session._work",),  # made anew for each block
    "fourier": ("session._spectrum", "session._back"),  # computed anew each time
    "transcendental": ("session._values",),  # computed anew each time
}


@pytest.mark.parametrize("name", LOADS)
def test_fits_the_contract(name):
    plugin = import_module(f"burnin.loads.{name}").PLUGIN
    assert isinstance(plugin, Load)
    spec = plugin.spec
    assert 0 < spec.finest_step_s <= spec.longest_step_s <= 0.2
    assert spec.proves
    assert spec.does_not_prove
    for text in ("Proves:", "Does not prove:"):
        assert text in import_module(f"burnin.loads.{name}").__doc__
    for param in spec.params:
        assert not param.choices or param.default in param.choices
        assert param.low is None or param.low <= param.default
        assert param.high is None or param.default <= param.high


@pytest.mark.parametrize("name", LOADS)
def test_steps_without_a_fault_and_settles(name, open_small):
    session = open_small(name)
    assert isinstance(session, LoadSession)
    assert all(isinstance(value, str | int | float | bool) for value in session.notes.values())
    amount = 0.0
    for _ in range(20):
        result = session.step()
        assert not result.faults
        amount += result.amount
    assert amount > 0
    for _ in range(200):
        result = session.finish()
        assert not result.faults
        if result.settled:
            break
    assert result.settled


@pytest.mark.parametrize("name", LOADS)
def test_equal_seeds_give_equal_digests(name, open_small):
    plugin = import_module(f"burnin.loads.{name}").PLUGIN
    one, two, other = (open_small(name, seed=seed, instance=i) for i, seed in enumerate((7, 7, 8)))
    digests = [[session.step().digest for _ in range(8)] for session in (one, two, other)]
    assert digests[0] == digests[1]
    assert any(digests[0]) == plugin.spec.compare_digests
    if plugin.spec.compare_digests and name != "backtracking":  # which has one problem for every seed
        assert digests[0] != digests[2]


@pytest.mark.parametrize("name", LOADS)
def test_a_step_can_be_repeated_without_those_before_it(name, open_small):
    if not import_module(f"burnin.loads.{name}").PLUGIN.spec.compare_digests:
        return
    whole, later = open_small(name), open_small(name, first_step=5)
    for _ in range(5):
        whole.step()
    for _ in range(17):
        one, two = whole.step(), later.step()
        assert (one.digest, one.faults) == (two.digest, two.faults)


@pytest.mark.parametrize("name", [name for name in LOADS if name not in ("big_integer", "march")])
def test_finds_flips_in_all_its_memory(name, open_small):
    """200 single-bit flips between steps; the two loads left out keep nothing, or mostly dead data, between steps."""
    flipper, session = Flipper(11), open_small(name)
    for _ in range(40):
        session.step()
    dead = 0
    for _ in range(200):
        buffer, address = flipper.somewhere(session)
        for _ in range(80):
            faults = session.step().faults
            if faults:
                break
        if not faults:
            assert buffer in DEAD.get(name, ()), f"missed a flip at 0x{address:x} in {buffer}"
            dead += 1
            continue
        found = {fault.values.get("address") for fault in faults}
        assert f"0x{address // 8 * 8:x}" in found or f"0x{address // 4 * 4:x}" in found
        assert all(int(str(f.values["xor"]), 16).bit_count() == 1 for f in faults if "xor" in f.values)
    assert dead < 100


@pytest.mark.parametrize(
    "name", ["matrix", "matrix_single", "linear_solve", "fourier", "sorting", "memory_patterns", "march"]
)
def test_says_when_memory_is_too_small(name):
    from burnin.errors import BurninError

    plugin = import_module(f"burnin.loads.{name}").PLUGIN
    with pytest.raises(BurninError, match=name) as caught:
        plugin.open(LoadContext(seed=1, memory_bytes=4096), {})
    assert caught.value.slug == "load_memory"
    assert caught.value.hint
