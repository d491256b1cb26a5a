import math

import numpy as np
import pytest

from burnin.calc.arrays import checked_series, present, usual_step_s


def test_gaps_are_left_out_and_never_filled():
    times, values = present([0, 1, 2, 3], [20.0, math.nan, math.inf, 21.0])
    assert times.tolist() == [0.0, 3.0]
    assert values.tolist() == [20.0, 21.0]


def test_usual_step_is_the_median_one():
    assert usual_step_s(np.array([0.0, 1.0, 2.0, 9.0])) == 1.0
    assert usual_step_s(np.array([5.0])) == 0.0


@pytest.mark.parametrize(
    ("t_s", "values", "complaint"),
    [
        ([0, 1], [1.0], "shape"),
        ([[0, 1]], [[1.0, 2.0]], "shape"),
        ([0, math.nan], [1.0, 2.0], "finite"),
        ([0, 0], [1.0, 2.0], "rise"),
        ([1, 0], [1.0, 2.0], "rise"),
    ],
)
def test_columns_that_are_no_series_are_refused(t_s, values, complaint):
    with pytest.raises(ValueError, match=complaint):
        checked_series(t_s, values)
