"""Graphics loads on whatever Vulkan shows here; a software renderer will do. Faults are put into the card's buffers."""

from __future__ import annotations

import sys
from importlib import import_module
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from burnin.errors import BurninError
from burnin.host import wgpu_door
from burnin.host.wgpu_door import SOFTWARE_NOTE, adapters
from burnin.plugin.contracts import Load, LoadContext, LoadSession

SMALL: dict[str, dict[str, Any]] = {
    "graphics_integer": {"groups": 4, "rounds": 16},
    "graphics_float": {"groups": 4, "rounds": 16},
    "graphics_combined": {"groups": 4, "rounds": 4, "ratio": 2},
    "graphics_memory": {"most_mib": 4, "buffer_mib": 2},
    "graphics_link": {"mib": 1},
    "graphics_switching": {"groups": 2, "period_ms": 4.0},
    "graphics_frames": {
        "eye_width": 24,
        "eye_height": 16,
        "cubes": 400,
        "refresh_hz": 240.0,
        "budget": "none",
        "cost": 64,
    },
}


def has_vulkan() -> bool:
    try:
        return bool(adapters())
    except BurninError:
        return False


pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(not has_vulkan(), reason="no Vulkan driver, or without the extra 'gpu'"),
    pytest.mark.filterwarnings(
        "ignore:.*:ResourceWarning"
    ),  # the graphics library leaves its poller's pipes open
]


@pytest.fixture
def opened():
    sessions = []

    def opener(name: str, **params: Any) -> Any:
        plugin = import_module(f"burnin.loads.{name}").PLUGIN
        context = LoadContext(seed=7, step_budget_s=0.001)
        session = plugin.open(context, SMALL[name] | params)
        sessions.append(session)
        return session

    yield opener
    for session in sessions:
        session.close()


@pytest.mark.parametrize("name", sorted(SMALL))
def test_fits_the_contract_and_runs_without_a_fault(name, opened):
    module = import_module(f"burnin.loads.{name}")
    assert isinstance(module.PLUGIN, Load)
    spec = module.PLUGIN.spec
    assert 0 < spec.finest_step_s <= spec.longest_step_s <= 0.2
    assert (spec.resource, spec.per_core) == ("graphics", False)
    for text in ("Proves:", "Does not prove:"):
        assert text in module.__doc__
    session = opened(name)
    assert isinstance(session, LoadSession)
    amount = 0.0
    for _ in range(6):
        result = session.step()
        assert result.faults == ()
        amount += result.amount
    assert amount > 0
    for _ in range(20):
        result = session.finish()
        assert result.faults == ()
        if result.settled:
            break
    assert result.settled
    notes = session.notes
    assert all(isinstance(value, str | int | float | bool) for value in notes.values())
    assert notes["resource"] == "graphics"
    if adapters()[0].software:
        assert notes["adapter"] == SOFTWARE_NOTE


def corrupt(session: Any, buffer: Any, word: int, mask: int = 1) -> None:
    """Turn bits of a word in a buffer of the card."""
    before = session._card.read(buffer, 4 * word, 4)
    session._card.write(buffer, before ^ np.uint32(mask), 4 * word)


@pytest.mark.parametrize(
    ("name", "width"), [("graphics_integer", 4), ("graphics_float", 16), ("graphics_combined", 16)]
)
def test_a_changed_start_value_is_found_on_every_thread_that_used_it(name, width, opened):
    session = opened(name)
    corrupt(session, session._chains.starts, 77 * width + width // 2, 1 << 21)
    faults = [fault for _ in range(8) for fault in session.step().faults]
    first = [fault for fault in faults if fault.values["chains"] == 0]
    assert {fault.values["lane"] for fault in first} == {77}
    assert {fault.values["group"] for fault in first} == {0, 1, 2, 3}
    assert all(fault.kind == "wrong_result" for fault in faults)
    assert all(fault.values["card"] == session.notes["card"] for fault in faults)
    assert all(fault.values["expected"] != fault.values["found"] for fault in faults)


@pytest.mark.parametrize(
    "name", ["graphics_integer", "graphics_float", "graphics_combined", "graphics_switching"]
)
def test_one_wrong_thread_is_named(name, opened):
    session = opened(name)
    for _ in range(4):
        session.step()
    list(session._chains.drain())
    done = session._chains.one(0)
    assert session._check(done) == []
    corrupt(session, session._chains.slots[done.slot].ends, 256 + 33)
    folds = done.folds.copy()
    folds[1, 1] ^= np.uint32(1)
    (fault,) = session._check(SimpleNamespace(variant=0, folds=folds, slot=done.slot))
    assert (fault.values["thread"], fault.values["group"], fault.values["lane"]) == (289, 1, 33)
    assert int(fault.values["expected"], 16) ^ int(fault.values["found"], 16) == 1


def test_a_wrong_word_on_the_way_back_is_told_as_a_block(opened):
    session = opened("graphics_integer")
    done = session._chains.one(0)
    folds = done.folds.copy()
    folds[2, 3] ^= np.uint32(1 << 30)
    (fault,) = session._check(SimpleNamespace(variant=0, folds=folds, slot=done.slot))
    assert fault.values["first_thread_of_32"] == 2 * 256 + 96


def test_a_wrong_word_of_the_region_is_found(opened):
    from burnin.loads import graphics_combined as load

    session = opened("graphics_combined")
    region = session._chains.extra[0]
    group_words = load.ROWS * load.LANES * 4
    corrupt(session, region, 2 * group_words + 5 * load.LANES * 4 + 4 * 19)
    faults = [fault for _ in range(6) for fault in session.step().faults]
    assert {(fault.values["group"], fault.values["lane"]) for fault in faults} == {(2, 19)}
    assert {fault.values["region_offset"] for fault in faults} == {f"0x{2 * group_words * 4:x}"}


@pytest.mark.parametrize("name", ["graphics_float", "graphics_combined"])
def test_a_card_that_is_wrong_everywhere_is_found_by_the_host(name, opened, monkeypatch):
    module = import_module(f"burnin.loads.{name}")
    right = module.run_float_chains

    def wrong(starts, rounds, **how):
        ends = right(starts, rounds, **how)
        ends.view(np.uint32)[0, 50] ^= np.uint32(2)
        return ends

    monkeypatch.setattr(module, "run_float_chains", wrong)
    session = opened(name)
    assert session.notes["host_agrees"] == "no"
    fault = session.step().faults[0]
    assert fault.values["lane"] == 50
    assert "host" in fault.values["compared_with"]


@pytest.mark.parametrize("name", ["graphics_float", "graphics_combined"])
def test_chains_too_long_for_the_host_say_so(name, opened, monkeypatch):
    monkeypatch.setattr(import_module(f"burnin.loads.{name}"), "_MOST_HOST_ROUNDS", 1)
    assert "not compared" in opened(name).notes["host_agrees"]


@pytest.mark.parametrize("name", ["graphics_integer", "graphics_float", "graphics_combined"])
def test_dispatches_are_sized_by_the_time_asked_for(name, opened, monkeypatch):
    module = import_module(f"burnin.loads.{name}")
    monkeypatch.setattr(module, "USUAL_MS", 2.0)
    session = opened(name, rounds=0, groups=2)
    assert session._chains.rounds >= 4
    assert session.step().faults == ()


# -- memory ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("buffer", "offset", "mask"), [(0, 0, 1), (1, 4096 * 3 + 8, 0x80000000), (1, (2 << 20) - 4, 0xFF)]
)
def test_a_changed_word_of_graphics_memory_is_named(buffer, offset, mask, opened):
    session = opened("graphics_memory")
    while session._flying:
        session._take([])
    before = session.memory.plant(buffer, offset, mask)
    faults = []
    for _ in range(4):
        faults += session.step().faults
    (fault,) = faults
    assert fault.kind == "memory_word"
    assert fault.values == {
        "card": session.notes["card"],
        "buffer": buffer,
        "offset": f"0x{offset:x}",
        "expected": f"0x{before:08x}",
        "found": f"0x{before ^ mask:08x}",
        "xor": f"0x{mask:08x}",
        "wrong_words": 1,
    }


def test_what_is_written_last_is_read_back_at_the_end(opened):
    session = opened("graphics_memory")
    session.step()
    while session._flying:
        session._take([])
    before = session.memory.plant(1, 64, 2)
    faults = []
    for _ in range(10):
        result = session.finish()
        faults += result.faults
        if result.settled:
            break
    assert [fault.values["expected"] for fault in faults] == [f"0x{before:08x}"]


def test_many_wrong_words_are_counted(opened):
    session = opened("graphics_memory")
    while session._flying:
        session._take([])
    session._card.write(session.memory.buffers[0], np.zeros(500, dtype=np.uint32), 4096)
    faults = [fault for _ in range(4) for fault in session.step().faults]
    assert len(faults) == 16
    assert faults[0].values["wrong_words"] == 500


def test_a_comparison_that_is_blind_is_noticed(opened, monkeypatch):
    from burnin.host.card_memory import CardMemory

    monkeypatch.setattr(CardMemory, "plant", lambda self, number, offset, mask: 5)
    with pytest.raises(BurninError, match="found 0 of 3 words planted"):
        opened("graphics_memory")


def test_all_memory_is_taken_but_what_the_card_needs(monkeypatch):
    from burnin.calc.graphics_words import MIX_CODE
    from burnin.host import card_memory

    card = wgpu_door.open_card()
    monkeypatch.setattr(card_memory, "_SMALLEST_BYTES", 1 << 20)
    monkeypatch.setattr(card_memory, "KEEP_BYTES", 3 << 20)
    left = [20 << 20]
    real = card.storage

    def limited(size_bytes: int) -> Any:
        if size_bytes > left[0]:
            return None
        left[0] -= size_bytes
        return real(size_bytes)

    monkeypatch.setattr(card, "try_storage", limited)
    memory = card_memory.CardMemory(card, mix_code=MIX_CODE, most_bytes=0, buffer_bytes=8 << 20)
    assert memory.sizes == [8 << 20, 8 << 20]
    assert memory.total_bytes == 16 << 20
    card.close()


def test_a_buffer_behind_the_link_is_given_back(monkeypatch):
    from burnin.calc.graphics_words import MIX_CODE
    from burnin.host import card_memory

    card = wgpu_door.open_card()
    object.__setattr__(card.facts, "kind", "card")
    spans = iter([1.0, 1.0, 1.0, 1.1, 1.0, 9.0])
    real = card_memory.CardMemory.received
    monkeypatch.setattr(
        card_memory.CardMemory, "received", lambda self, ticket: (*real(self, ticket)[:2], next(spans))
    )
    monkeypatch.setattr(card_memory, "KEEP_BYTES", 1 << 20)
    memory = card_memory.CardMemory(card, mix_code=MIX_CODE, most_bytes=64 << 20, buffer_bytes=2 << 20)
    assert memory.sizes == [2 << 20, (1 << 20)] or memory.sizes == [2 << 20]
    card.close()


def test_a_card_without_room_says_so(opened, monkeypatch):
    monkeypatch.setattr(wgpu_door.Card, "try_storage", lambda self, size_bytes: None)
    for name in ("graphics_memory", "graphics_link", "graphics_combined"):
        with pytest.raises(BurninError, match=name) as caught:
            opened(name)
        assert caught.value.slug == "load_memory"


def test_the_share_covered_is_told_where_the_driver_knows(opened, monkeypatch):
    from burnin.host.card_facts import CardFacts
    from burnin.loads import graphics_memory

    monkeypatch.setattr(graphics_memory, "card_facts", lambda adapter: CardFacts(memory_bytes=8 << 20))
    assert opened("graphics_memory").notes["share_of_graphics_memory"] == 0.5


@pytest.mark.parametrize(
    ("kind", "software", "bytes_wanted"),
    [
        ("card", False, 6 << 20),
        ("graphics in the processor", False, 128 << 20),
        (SOFTWARE_NOTE, True, 48 << 20),
    ],
)
def test_how_much_memory_is_asked_for(kind, software, bytes_wanted, monkeypatch):
    from burnin.host.card_facts import CardFacts
    from burnin.loads import graphics_memory as load

    facts = SimpleNamespace(kind=kind, software=software, name="Invented")
    asked = {}

    def taken(card, **how):
        asked.update(how)
        return SimpleNamespace(buffers=[])

    monkeypatch.setattr(
        load, "open_card", lambda index: SimpleNamespace(facts=facts, most_binding_bytes=1 << 31)
    )
    monkeypatch.setattr(load, "card_facts", lambda adapter: CardFacts(free_bytes=load.KEEP_BYTES + (6 << 20)))
    monkeypatch.setattr(load, "CardMemory", taken)
    with pytest.raises(BurninError, match="gave no memory"):
        load.PLUGIN.open(LoadContext(seed=1, memory_bytes=256 << 20), {})
    assert asked["most_bytes"] == bytes_wanted


# -- link --------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("way", ["up", "down, or in the machine's memory"])
def test_a_word_lost_on_the_link_is_told_with_its_way(way, opened):
    session = opened("graphics_link")
    session.send_down(99)
    corrupt(session, session.memory.buffers[1], 1234)
    if way != "up":
        corrupt(session, session.host_side, 1234)
    faults: list = []
    session.check(99, faults)
    (fault,) = faults
    assert (fault.kind, fault.values["offset"], fault.values["way"]) == (
        "wrong_transfer",
        f"0x{4 * 1234:x}",
        way,
    )
    assert int(fault.values["expected"], 16) ^ int(fault.values["found"], 16) == 1


def test_rates_stand_beside_the_limit(opened, monkeypatch):
    from burnin.host.card_facts import CardFacts
    from burnin.loads import graphics_link

    monkeypatch.setattr(graphics_link, "card_facts", lambda adapter: CardFacts(link=lambda: (3, 16)))
    monkeypatch.setattr(graphics_link._Session, "send_down", lambda self, key: (0.0001, 0.0002))
    notes = opened("graphics_link").notes
    assert notes["link_under_load"] == "generation 3, 16 lanes"
    assert notes["down_gb_s"] == pytest.approx((1 << 20) / 1e5, abs=0.01)
    assert notes["down_share_of_limit"] == pytest.approx(2 * notes["up_share_of_limit"], abs=0.002)


def test_a_card_that_tells_no_time_is_timed_by_the_host(opened):
    session = opened("graphics_link")
    session._card.timed = session._card.timed_between = False
    down_s, up_s = session.send_down(1)
    assert down_s == up_s > 0


def test_a_driver_without_host_memory_cannot_measure_its_link(opened, monkeypatch):
    monkeypatch.setattr(wgpu_door, "_HOST_SIDE", "no-such-feature")
    with pytest.raises(BurninError, match="cannot be measured"):
        opened("graphics_link")


# -- switching and frames ----------------------------------------------------------------------------------------------
def test_switching_goes_through_its_periods(opened, monkeypatch):
    from burnin.loads import graphics_switching

    monkeypatch.setattr(graphics_switching, "_EACH_S", 0.0)
    monkeypatch.setattr(graphics_switching, "_PERIODS_MS", (4.0, 6.0))
    session = opened("graphics_switching", period_ms=0.0)
    seen = []
    for _ in range(4):
        assert session.step().faults == ()
        seen.append(session._period_ns)
    assert seen == [4_000_000, 6_000_000] * 2
    assert session.notes["begin_late_p99_ms"] >= 0


def test_switching_finds_a_change_after_its_first_bursts(opened):
    session = opened("graphics_switching")
    for _ in range(4):
        session.step()
    corrupt(session, session._chains.starts, 16 * 200, 1 << 21)
    faults = [fault for _ in range(6) for fault in session.step().faults]
    assert {fault.values["lane"] for fault in faults} == {200}
    assert faults[0].values["period_ms"] == 4.0


def test_one_changed_pixel_changes_its_row(opened):
    session = opened("graphics_frames")
    session._sums(2)
    session._card.device.queue.write_texture(
        {"texture": session.scene.picture, "origin": (5, 7, 0)},
        np.array([1, 2, 3, 4], dtype=np.uint8),
        {"bytes_per_row": 4, "rows_per_image": 1},
        (1, 1, 1),
    )
    batch = session._card.batch()
    session.scene.sum_rows(batch)
    rows = batch.send((session.scene.rows, 4 * 16)).wait().results[0]
    (fault,) = session.compare(2, rows)
    assert (fault.kind, fault.values["row"], fault.values["wrong_rows"]) == ("wrong_picture", 7, 1)
    assert session.compare(2, session._sums(2)) == []


def test_sums_of_rows_are_those_of_the_host(opened):
    session = opened("graphics_frames")
    found = session._sums(1)
    data = session._card.device.queue.read_texture(
        {"texture": session.scene.picture}, {"bytes_per_row": 256, "rows_per_image": 16}, (48, 16, 1)
    )
    picture = np.frombuffer(data, np.uint8).reshape(16, 256)[:, :192].copy().view(np.uint32)
    assert np.count_nonzero(picture != 0xFF000000) > 100  # something is drawn
    left, right = picture[:, :24], picture[:, 24:]
    assert np.count_nonzero(left != right) > 10  # each eye sees the scene from its own place
    h = picture + np.arange(48, dtype=np.uint32) * np.uint32(0x9E3779B1)
    for shift, factor in ((16, 0x85EBCA6B), (13, 0xC2B2AE35), (16, 1)):
        h = (h ^ (h >> np.uint32(shift))) * np.uint32(factor)
    assert np.array_equal(h.sum(axis=1, dtype=np.uint32), found)


def test_a_scene_that_changes_is_found_by_the_next_step(opened):
    session = opened("graphics_frames")
    assert session.step().faults == ()
    session.scene.set_cost(6400)
    (fault,) = session.step().faults
    assert fault.kind == "wrong_picture"


def test_every_seed_draws_the_same_scene(opened):
    one, two = opened("graphics_frames"), opened("graphics_frames", scene=2)
    again = import_module("burnin.loads.graphics_frames").PLUGIN.open(
        LoadContext(seed=999, step_budget_s=0.001), SMALL["graphics_frames"]
    )
    assert again.notes["scene_seed"] == one.notes["scene_seed"] != two.notes["scene_seed"]
    assert all(map(np.array_equal, again._golden, one._golden))
    again.close()


def test_late_frames_are_not_counted_as_work(opened, monkeypatch):
    session = opened("graphics_frames")
    rows = session._golden[(session._frame - 1) % 4]
    session._rows = rows
    monkeypatch.setattr(session, "paced_frames", lambda frames: (np.array([1.0, 9.0, 4.0, 5.0]), np.zeros(4)))
    assert session.step().amount == 2.0  # a refresh interval is 4.17 ms here


def test_the_budget_search_recovers_a_known_cost(opened, monkeypatch):
    session = opened("graphics_frames")
    monkeypatch.setattr(
        session, "free_frames", lambda frames: np.full(frames, 0.2 + session.scene.cost / 1000)
    )
    session.foretold = session._foretell()
    right = (1000 / 240 - 0.2) * 1000
    assert session.foretold == pytest.approx(right, rel=1e-6)
    budget = session.search("quick")
    assert budget.closed
    assert budget.fits == pytest.approx(right, rel=0.02)
    assert budget.fits <= right + 1


def test_a_budget_is_told_in_words(opened, monkeypatch):
    from burnin.loads import graphics_frames as load

    monkeypatch.setattr(load._Session, "_foretell", lambda self: 1000.0)
    monkeypatch.setattr(
        load._Session, "free_frames", lambda self, frames: np.full(frames, self.scene.cost / 240)
    )
    notes = opened("graphics_frames", budget="quick").notes
    assert notes["budget_closed"] is True
    assert notes["budget_cost"] == pytest.approx(1000, rel=0.02)
    assert notes["budget_goal"] == "99 % of frames on time, 90 % confidence, bracket 2 %"


def test_a_scene_too_heavy_for_the_rate_has_no_budget(opened, monkeypatch):
    session = opened("graphics_frames")
    monkeypatch.setattr(session, "free_frames", lambda frames: np.full(frames, 50.0))
    assert session._foretell() == 0.0
    session.foretold = 1000.0
    from burnin.loads.graphics_frames import _told

    told = _told(session.search("quick"), 1000.0)
    assert told["budget_cost"] == "none shown to fit"


def test_without_a_clock_on_the_card_frames_are_timed_by_the_host(opened):
    session = opened("graphics_frames")
    session._card.timed = False
    assert np.all(session.free_frames(25) > 0)
    assert "host's clock" in session.notes["timed_by"]
    late = session.paced_frames(3)[1]
    assert len(late) == 3


def test_a_forced_validation_error_is_an_exception_of_the_step(opened):
    session = opened("graphics_integer")
    small = session._card.storage(16)
    session._chains.slots[0].folds = session._chains.slots[1].folds = session._chains.slots[2].folds = small
    session._chains._next_slot = 0
    with pytest.raises(session._card._library.GPUError):
        [session.step() for _ in range(5)]


@pytest.mark.parametrize("name", sorted(SMALL))
def test_no_such_card_says_so(name):
    plugin = import_module(f"burnin.loads.{name}").PLUGIN
    with pytest.raises(BurninError, match="no graphics card 9") as caught:
        plugin.open(LoadContext(seed=1), {"card": 9})
    assert caught.value.slug == "no_graphics"


def test_python_still_has_the_library():
    assert "wgpu" in sys.modules


@pytest.mark.parametrize(
    ("spans_ms", "right"),
    [
        ((4.0, 4.0, 4.1, 4.5, 5.2, 7.0, 9.0), 12),  # memory is busy until the chains take over
        ((4.0, 8.0, 12.0), 2),  # the chains alone take all the time
        ((4.0,) * 7, 24),
    ],
)
def test_the_mixture_is_the_most_arithmetic_that_leaves_memory_busy(spans_ms, right):
    from burnin.loads.graphics_combined import _RATIOS, _busiest

    def chains_of(ratio):
        span_ms = spans_ms[_RATIOS.index(ratio)]
        return SimpleNamespace(
            set_rounds=lambda rounds: None, one=lambda variant: SimpleNamespace(span_ms=span_ms)
        )

    assert _busiest(chains_of, software=False) == right
    assert _busiest(chains_of, software=True) == _RATIOS[0]
