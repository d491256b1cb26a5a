"""The session that matrix loads share, without any of those loads."""

from __future__ import annotations

import numpy as np
import pytest

from burnin.calc.checked_product import DOUBLE, SINGLE
from burnin.errors import BurninError
from burnin.plugin.checked_session import Products
from burnin.plugin.contracts import LoadContext

DOUBLES = Products(load="doubles", number=DOUBLE, fastest_flop_s=1e9)
SINGLES = Products(load="singles", number=SINGLE, fastest_flop_s=1e9, multiple=2, opening_bytes=24)


@pytest.mark.parametrize("products", [DOUBLES, SINGLES])
def test_a_session_that_begins_later_does_what_it_would_have_done(products):
    params = {"n": 48, "rows": 16}
    whole = products.open(LoadContext(seed=9), params)
    marks = [whole.step().digest for _ in range(12)]
    assert len(set(marks)) == 12
    later = products.open(LoadContext(seed=9, first_step=7), params)
    assert [later.step().digest for _ in range(5)] == marks[7:]


@pytest.mark.parametrize("products", [DOUBLES, SINGLES])
@pytest.mark.parametrize("kind", [0, 1])
def test_one_flipped_bit_of_an_operand_is_memory_and_is_put_right(products, kind):
    session = products.open(LoadContext(seed=9), {"n": 48})
    session._products[kind].left.rows.view(np.uint32)[5, 1] ^= np.uint32(1 << 20)
    results = [session.step(), session.step()]
    (fault,) = results[kind].faults
    assert (fault.kind, fault.step) == ("memory_word", kind)
    assert not results[1 - kind].faults
    assert not session.finish().faults


def test_many_changes_are_reported_as_sixteen_and_the_last_counts_the_rest():
    session = DOUBLES.open(LoadContext(seed=9), {"n": 48, "values": "full"})
    session._products[0].right.rows[:40, 0] += 1.0
    faults = session.finish().faults
    assert len(faults) == 16
    assert faults[-1].values["further"] == 24


def test_rows_and_columns_are_whole_words():
    assert SINGLES.open(LoadContext(seed=1), {"n": 65}).notes["n"] == 64
    assert DOUBLES.open(LoadContext(seed=1), {"n": 65}).notes["n"] == 65


@pytest.mark.parametrize(
    ("products", "values", "needed"),
    [
        (DOUBLES, "mixed", 8 * 64 * (64 * 5 + 16)),
        (DOUBLES, "full", 8 * 64 * (64 * 3 + 16)),
        (SINGLES, "integer", 4 * 64 * (64 * 3 + 16) + 24 * 64 * 64),
    ],
)
def test_matrices_that_do_not_fit_are_refused_to_the_byte(products, values, needed):
    params = {"n": 64, "rows": 16, "values": values}
    session = products.open(LoadContext(seed=1, memory_bytes=needed), params)
    session.close()
    assert session.notes["operand_bytes"] == 0
    with pytest.raises(BurninError, match=f"{products.load}: n = 64 with values = '{values}'") as caught:
        products.open(LoadContext(seed=1, memory_bytes=needed - 1), params)
    assert caught.value.slug == "load_memory"
