from __future__ import annotations

import ctypes

import numpy as np
import pytest

from burnin.calc import raw_blocks
from burnin.calc.raw_blocks import ArrayBlocks, LibraryBlocks, view_words


def ways():
    return [ArrayBlocks(), LibraryBlocks(ctypes.CDLL(None))]


@pytest.mark.parametrize("way", ways(), ids=lambda way: way.name)
def test_fill_copy_and_compare(way):
    one, other = np.zeros(64, dtype=np.uint64), np.zeros(64, dtype=np.uint64)
    way.fill(one.ctypes.data, 0xA5, 512)
    assert np.all(one == 0xA5A5A5A5A5A5A5A5)
    assert not way.equal(one.ctypes.data, other.ctypes.data, 512)
    way.copy(other.ctypes.data, one.ctypes.data, 512)
    assert way.equal(one.ctypes.data, other.ctypes.data, 512)
    other[63] ^= np.uint64(1)
    assert not way.equal(one.ctypes.data, other.ctypes.data, 512)
    assert way.equal(one.ctypes.data, other.ctypes.data, 504)


def test_a_view_is_the_memory_itself():
    array = np.arange(8, dtype=np.uint64)
    view_words(array.ctypes.data, 64)[3] = 77
    assert array[3] == 77


def test_the_library_is_taken_where_there_is_one():
    assert isinstance(raw_blocks.raw_blocks(), LibraryBlocks)


@pytest.mark.parametrize("error", [OSError, TypeError, AttributeError])
def test_numpy_is_taken_where_there_is_none(error, monkeypatch):
    def missing(name):
        raise error

    monkeypatch.setattr(raw_blocks.ctypes, "CDLL", missing)
    assert isinstance(raw_blocks.raw_blocks(), ArrayBlocks)
