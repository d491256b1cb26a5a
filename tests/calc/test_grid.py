import math

import numpy as np
import pytest

from burnin.calc.grid import average_on_grid


def test_short_traces_keep_every_reading_and_every_hole():
    times = np.array([10.0, 11.0, 12.0, 15.0, 16.0])
    data = average_on_grid(times, times * 2, start_s=10.0, step=1.0, most=100)
    assert data.t_s.tolist() == [0.0, 1.0, 2.0, 5.0, 6.0]
    assert data.values.tolist() == [20.0, 22.0, 24.0, 30.0, 32.0]
    assert (data.grid_s, data.step, data.layout.size) == (1.0, 1.0, 7)
    assert data.layout.neighbours.tolist() == [True, True, False, True]


def test_long_traces_are_averaged_and_their_steps_become_finer():
    times = np.arange(0.0, 1000.0)
    data = average_on_grid(times, times, start_s=0.0, step=1.0, most=250)
    assert data.grid_s == 4.0
    assert data.t_s.size <= 251
    assert data.t_s == pytest.approx(data.values)
    assert data.step == pytest.approx(1 / math.sqrt(4), rel=0.01)
