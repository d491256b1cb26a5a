from __future__ import annotations

import numpy as np
import pytest

from burnin.calc import checked_product
from burnin.calc.checked_product import DOUBLE, SINGLE, CheckedProduct, panel_rows
from burnin.calc.splitmix import words

N = 48


def product_of(kind: str, number=DOUBLE, rows: int = 16) -> CheckedProduct:
    result = np.zeros((N, N), dtype=number.dtype)
    return CheckedProduct(kind, number, result=result, rows=rows, seed=3)


def wrong_rows(product: CheckedProduct, turn: int = 0) -> list[int]:
    return np.flatnonzero(product.judge(0, N, turn=turn)[1]).tolist()


@pytest.mark.parametrize("number", [DOUBLE, SINGLE])
@pytest.mark.parametrize("kind", ["integer", "full"])
def test_a_right_product_passes(kind, number):
    product = product_of(kind, number)
    assert product.first_is_right
    for turn in range(4):
        product.multiply(0, N)
        assert wrong_rows(product, turn) == []
    assert product.mend() == ()
    assert product.operand_bytes == 2 * product.result.nbytes


def test_whole_number_products_are_exact():
    product = product_of("integer")
    left, right = product.left.rows.astype(np.int64), product.right.rows.astype(np.int64)
    assert np.array_equal(product.result.astype(np.int64), left @ right)


@pytest.mark.parametrize("number", [DOUBLE, SINGLE])
def test_no_sum_of_the_check_can_round(number):
    n = 4096
    top = 2**number.bits - 1
    limit = 2**53 if number is DOUBLE else 2**24
    assert n * top * top < limit
    assert n * n * top * top * (2**checked_product._VECTOR_BITS - 1) < 2**53


@pytest.mark.parametrize("kind", ["integer", "full"])
def test_every_single_bit_of_the_product_counts(kind):
    """A flip in any of the 64 bits at many places: every one must be seen in its own row."""
    product = product_of(kind)
    picks = words(5, 0, 300)
    for turn, pick in enumerate(picks.tolist()):
        row, column, bit = pick % N, pick // 64 % N, pick >> 58
        product.result.view(np.uint64)[row, column] ^= np.uint64(1 << bit)
        assert wrong_rows(product, turn) == [row]
        product.result.view(np.uint64)[row, column] ^= np.uint64(1 << bit)


def test_freivalds_alone_sees_a_wrong_whole_number():
    """With references that agree with the wrong product the vectors still disagree."""
    product = product_of("integer")
    product.result[5, 6] += 1.0
    product.folds.values[...] = checked_product.fold_rows(product.result)
    for turn in range(4):
        assert wrong_rows(product, turn) == [5]


@pytest.mark.parametrize("kind", ["integer", "full"])
def test_a_wrong_element_is_named(kind):
    product = product_of(kind)
    right = product.result.view(np.uint64)[7, 9]
    product.result.view(np.uint64)[7, 9] ^= np.uint64(1 << 33)
    _, wrong = product.judge(0, N, turn=0)
    (trouble,) = product.explain(0, wrong)
    assert not trouble.in_memory
    assert trouble.values["row"] == 7
    assert trouble.values["column"] == 9
    assert trouble.values["expected"] == f"0x{int(right):016x}"
    assert trouble.values["found"] == f"0x{int(right) ^ (1 << 33):016x}"
    assert trouble.values["address"] == f"0x{product.result.ctypes.data + 8 * (7 * N + 9):x}"
    assert trouble.values["wrong_again"] is False
    assert trouble.values["rows_wrong"] == 1


def test_a_changed_operand_is_told_from_a_wrong_product():
    product = product_of("integer")
    product.right.rows.view(np.uint64)[3, 4] ^= np.uint64(1 << 50)
    product.multiply(0, N)
    _, wrong = product.judge(0, N, turn=0)
    assert wrong.any()
    (trouble,) = product.explain(0, wrong)
    assert trouble.in_memory
    assert trouble.values["buffer"] == "integer operand b"
    product.multiply(0, N)
    assert wrong_rows(product) == []


@pytest.mark.parametrize("part", ["folds", "vectors"])
def test_a_changed_reference_is_told_from_a_wrong_product(part):
    product = product_of("integer")
    getattr(product, part).values[1, ..., 3] = 1
    _, wrong = product.judge(0, N, turn=1)
    assert np.flatnonzero(wrong).tolist() == [3]
    assert all(trouble.in_memory for trouble in product.explain(0, wrong))
    assert wrong_rows(product) == []


def test_a_core_that_is_wrong_again_is_reported_so(monkeypatch):
    product = product_of("full")
    real = np.matmul

    def bad(left, right, out=None):
        done = real(left, right, out=out)
        done[2, 3] += 1.0
        return done

    monkeypatch.setattr(checked_product.np, "matmul", bad)
    product.multiply(0, N)
    _, wrong = product.judge(0, N, turn=0)
    (trouble,) = product.explain(0, wrong)
    assert trouble.values == {"values": "full", "row": 2, "wrong_again": True, "rows_wrong": 1}


def test_slices_of_the_operands_come_round():
    product = product_of("full")
    product.left.rows[N - 1, 0] = 0.0
    found = [len(product.mend_slice()) for _ in range(N)]
    assert sum(found) == 1


@pytest.mark.parametrize("kind", ["integer", "full"])
def test_a_wrong_first_product_is_noticed(kind, monkeypatch):
    real = np.matmul

    def bad(left, right, out=None):
        done = real(left, right, out=out)
        done[0, 0] += 0.5 if kind == "integer" else 1e6
        return done

    monkeypatch.setattr(checked_product.np, "matmul", bad)
    assert not product_of(kind).first_is_right


@pytest.mark.parametrize(
    ("n", "most", "rows"), [(2048, 1024, 1024), (2048, 1025, 1024), (100, 40, 34), (64, 0, 1), (64, 999, 64)]
)
def test_panels_are_even(n, most, rows):
    assert panel_rows(n, most_rows=most) == rows
