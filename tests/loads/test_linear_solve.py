from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg

from burnin.loads import linear_solve
from burnin.loads.linear_solve import one_norm, residual_ratio


def hook(monkeypatch, change):
    """Put a faulty core between the load and the solver."""
    real = np.linalg.solve

    def solve(matrix, right):
        done = real(matrix, right)
        change(done)
        return done

    monkeypatch.setattr(linear_solve.np.linalg, "solve", solve)


def test_ratio_is_that_of_lapacks_test_program():
    """The same figure computed step by step as TESTING/LIN/dget02.f does, with SciPy's norms."""
    rng = np.random.default_rng(5)
    a, x = rng.normal(size=(50, 50)), rng.normal(size=(50, 3))
    b = a @ x
    solved = linalg.solve(a, b)
    expected = max(
        linalg.norm(b[:, j] - a @ solved[:, j], 1)
        / linalg.norm(a, 1)
        / linalg.norm(solved[:, j], 1)
        / 2.0**-53
        for j in range(3)
    )
    assert one_norm(a) == pytest.approx(linalg.norm(a, 1))
    ratio = residual_ratio(a, solved, b, norm=one_norm(a))
    assert ratio == pytest.approx(expected, rel=0.2)
    assert ratio < 30


def test_solutions_agree_with_scipy(open_small):
    system = open_small("linear_solve")._systems[0]
    assert np.allclose(system.solve(), linalg.solve(system.matrix.rows, system.right.rows.T), rtol=1e-9)
    assert system.first_ratio < 30


def test_a_large_error_fails_the_residual_and_the_comparison(open_small, monkeypatch):
    session = open_small("linear_solve")
    hook(monkeypatch, lambda done: done.__setitem__((3, 1), done[3, 1] + 1.0))
    faults = session.step().faults
    assert [fault.values["at"] for fault in faults] == ["residual", "comparison with the first solution"]
    assert faults[0].values["ratio"] > faults[0].values["limit"] == 30.0
    assert faults[1].values["place"] == "3,1"


def test_an_error_too_small_for_the_residual_is_found_by_the_comparison(open_small, monkeypatch):
    """One element off by one unit in the last place: the trap of a residual alone."""
    session = open_small("linear_solve")
    hook(monkeypatch, lambda done: done.__setitem__((3, 1), np.nextafter(done[3, 1], np.inf)))
    (fault,) = session.step().faults
    assert fault.values["at"] == "comparison with the first solution"
    assert fault.values["ratio"] < 30


@pytest.mark.parametrize("error", [None, np.linalg.LinAlgError])
def test_a_solver_that_gives_up_or_gives_no_numbers_is_a_fault(error, open_small, monkeypatch):
    session = open_small("linear_solve")

    def solve(matrix, right):
        if error:
            raise error
        return np.full(right.shape, np.nan)

    monkeypatch.setattr(linear_solve.np.linalg, "solve", solve)
    faults = session.step().faults
    assert faults[0].values["ratio"] == np.inf
    assert len(faults) == 16


def test_a_wrong_first_solution_is_reported_by_the_first_step(open_small, monkeypatch):
    hook(monkeypatch, lambda done: done.__setitem__((0, 0), 1e6))
    faults = open_small("linear_solve").step().faults
    assert faults[0].values["at"] == "first solution"


def test_finish_finds_a_changed_operand(open_small):
    session = open_small("linear_solve")
    session._systems[1].matrix.rows[2, 3] = 0.0
    (fault,) = session.finish().faults
    assert fault.kind == "memory_word"
    assert fault.values["place"] == "2,3"
