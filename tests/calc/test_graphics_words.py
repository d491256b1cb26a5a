from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.graphics_words import content, mixed


@pytest.mark.parametrize(
    ("word", "right"), [(0, 0), (1, 0x514E28B7), (0xFFFFFFFF, 0x81F16F39), (0xDEADBEEF, None)]
)
def test_mixing_is_the_finaliser(word, right):
    """The first three answers: MurmurHash3's fmix32, worked by hand from its published steps."""
    h = word
    h ^= h >> 16
    h = h * 0x85EBCA6B % 2**32
    h ^= h >> 13
    h = h * 0xC2B2AE35 % 2**32
    h ^= h >> 16
    assert right is None or h == right
    assert int(mixed(np.array([word], dtype=np.uint32))[0]) == h


def test_content_differs_by_place_buffer_and_key():
    here = content(0, 4096, buffer=0, key=5, inverse=False)
    assert here.shape == (4 * 4096,)
    assert len(np.unique(here)) > 0.99 * here.size
    assert np.mean(here == content(0, 4096, buffer=1, key=5, inverse=False)) < 0.01
    assert np.mean(here == content(0, 4096, buffer=0, key=6, inverse=False)) < 0.01
    assert np.array_equal(here[40:80], content(10, 10, buffer=0, key=5, inverse=False))


def test_the_complement_has_no_bit_in_common():
    plain = content(7, 100, buffer=3, key=0xFFFFFFFF, inverse=False)
    assert np.all(plain ^ content(7, 100, buffer=3, key=0xFFFFFFFF, inverse=True) == 0xFFFFFFFF)
