from __future__ import annotations

import csv
import io

import numpy as np

from burnin.records.channels import Channel
from burnin.report.readings_csv import readings_csv
from burnin.testing.run_builder import RunBuilder


def test_every_reading_reads_back_as_the_journals(accepted):
    view, _, _ = accepted
    rows = list(csv.reader(io.StringIO(b"".join(readings_csv(view)).decode(), newline="")))
    assert len(rows) == 1 + len(view.t_ns)
    assert rows[0][:2] == ["time [s]", "hwmon/cpu (CPU package) [degC]"]
    for row, t_ns, values in zip(rows[1:], view.t_ns, view.values, strict=True):
        assert round(float(row[0]) * 1e9) == t_ns
        read = np.array([np.float32(text) if text else np.nan for text in row[1:]], dtype=np.float32)
        assert np.array_equal(read, values, equal_nan=True)


def test_implausible_values_are_no_numbers_and_headings_no_formulas():
    run = RunBuilder(__import__("samples").FIRST_LOOK)
    run.machine((Channel(id="=cmd()", source="s", quantity="voltage", label="a,b"),)).sweeps_at(
        [(1.5,), (None,)], bad=(0,)
    )
    rows = list(csv.reader(io.StringIO(b"".join(readings_csv(run.view())).decode(), newline="")))
    assert rows == [["time [s]", "'=cmd() (a,b) [V]"], ["1", "(1.5)"], ["2", ""]]
