"""Both matrix loads: wrong results, told from changed operands."""

from __future__ import annotations

import numpy as np
import pytest

from burnin.calc import checked_product
from burnin.loads import matrix, matrix_single
from burnin.plugin.contracts import LoadContext

LOADS = ["matrix", "matrix_single"]


class BadCore:
    """Makes one product of many wrong, as a faulty core would.

    Args:
        monkeypatch: Where it is put in.
    """

    def __init__(self, monkeypatch) -> None:
        self.real, self.wrong = np.matmul, False
        monkeypatch.setattr(checked_product.np, "matmul", self)

    def __call__(self, left, right, out=None):
        done = self.real(left, right, out=out)
        if self.wrong and out is not None and out.ndim == 2:
            done.view(np.uint32)[1, 2] ^= np.uint32(1 << 9)
            self.wrong = False
        return done


@pytest.mark.parametrize("name", LOADS)
@pytest.mark.parametrize("values", ["integer", "full"])
def test_a_wrong_product_is_reported_once_with_its_place(name, values, open_small, monkeypatch):
    core, session = BadCore(monkeypatch), open_small(name, params={"values": values})
    assert not session.step().faults
    core.wrong = True
    (fault,) = session.step().faults
    assert fault.kind == "wrong_result"
    assert fault.step == 1
    assert fault.values["row"] == 1
    assert fault.values["wrong_again"] is False
    assert int(fault.values["xor"], 16).bit_count() == 1
    assert not session.step().faults


@pytest.mark.parametrize("name", LOADS)
def test_a_wrong_first_product_is_reported_by_the_first_step(name, open_small, monkeypatch):
    core = BadCore(monkeypatch)
    core.wrong = True
    session = open_small(name, params={"values": "integer"})
    faults = session.step().faults
    assert faults[0].values == {"values": "integer", "at": "first product", "n": 64}


@pytest.mark.parametrize("name", LOADS)
def test_a_digest_shows_a_wrong_product_too(name, open_small, monkeypatch):
    core, session, other = BadCore(monkeypatch), open_small(name), open_small(name)
    core.wrong = True
    assert session.step().digest != other.step().digest
    assert session.step().digest == other.step().digest


@pytest.mark.parametrize("name", LOADS)
def test_finish_finds_a_changed_operand(name, open_small):
    session = open_small(name)
    operand = session._products[1].right.rows
    operand.view(np.uint32)[-1, -1] ^= np.uint32(1)
    result = session.finish()
    assert result.settled
    (fault,) = result.faults
    assert fault.kind == "memory_word"
    assert fault.values["buffer"] == "full operand b"
    assert not session.finish().faults


@pytest.mark.parametrize("name", LOADS)
def test_kinds_take_turns_and_panels_make_a_product(name, open_small):
    session = open_small(name, params={"rows": 20, "n": 64})
    assert session.notes["rows_per_step"] == 16
    assert session.notes["values"] == "integer,full"
    assert sum(session.step().amount for _ in range(8)) == 2.0


@pytest.mark.parametrize(("plugin", "rows"), [(matrix.PLUGIN, 64), (matrix_single.PLUGIN, 64)])
def test_rows_follow_the_time_asked_for(plugin, rows):
    params = {"n": 256, "values": "integer"}
    short = plugin.open(LoadContext(seed=1, step_budget_s=1e-5), params)
    long = plugin.open(LoadContext(seed=1, step_budget_s=0.1), params)
    assert short.notes["rows_per_step"] < 64
    assert long.notes["rows_per_step"] == 256
    assert "numeric_kernel" in long.notes
