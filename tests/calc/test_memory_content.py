from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.memory_content import BLOCK_BYTES, KINDS, content_of_pass


@pytest.mark.parametrize("kind", KINDS)
def test_the_second_pass_of_a_pair_turns_every_bit_round(kind):
    first, second = (content_of_pass(number, kinds=(kind,), seed=3) for number in (0, 1))
    for block in (0, 5):
        assert np.all(first.words(block) ^ second.words(block) == 2**64 - 1)
    assert second.name == f"{kind}, complement"


@pytest.mark.parametrize("kind", KINDS)
def test_the_next_round_is_another_content(kind):
    first, next_round = (content_of_pass(number, kinds=(kind,), seed=3) for number in (0, 2))
    assert not np.array_equal(first.words(0), next_round.words(0))


def test_kinds_come_in_turn():
    names = [content_of_pass(number, kinds=KINDS, seed=3).kind for number in range(10)]
    assert names[::2] == [*KINDS, KINDS[0]]


def test_every_word_of_the_address_content_is_its_own_offset():
    content = content_of_pass(0, kinds=("address",), seed=3)
    blocks = np.concatenate([content.words(block) for block in range(4)])
    offsets = blocks ^ np.uint64(content.key_seed)
    assert np.array_equal(offsets, np.arange(0, 4 * BLOCK_BYTES, 8, dtype=np.uint64))


def test_blocks_of_the_random_content_differ():
    content = content_of_pass(0, kinds=("random",), seed=3)
    firsts = {int(content.words(block)[0]) for block in range(100)}
    assert len(firsts) == 100


def test_a_constant_is_one_byte_everywhere():
    content = content_of_pass(3, kinds=("constant",), seed=3)
    assert content.byte == 0xAA
    assert set(content.words(9).view(np.uint8).tolist()) == {0xAA}
    assert content.key(9) is None
