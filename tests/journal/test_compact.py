from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from burnin.journal.compact import event_bytes, short_sweep
from burnin.records import codec
from burnin.records.events import (
    AnyEvent,
    FaultFound,
    InstrumentReading,
    LoadStarted,
    Remark,
    Sweep,
    WorkDone,
)


def back(event):
    return codec.from_json(event_bytes(event), AnyEvent)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (45.0, "45"),
        (-0.0, "0"),
        (45.123456, "45.123"),
        (0.00123456, "0.0012346"),
        (999.996, "1000"),
        (4700.4, "4700"),
        (123456789.0, "123456789"),
        (None, "null"),
        (math.nan, "null"),
        (math.inf, "null"),
        (1e39, "null"),
    ],
)
def test_numbers_in_sweeps_are_short(value, text):
    assert event_bytes(Sweep(v=(value,))) == b'{"kind":"sweep","v":[' + text.encode() + b"]}"


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_a_short_number_is_within_half_a_thousandth(value):
    (short,) = short_sweep(Sweep(v=(value,))).v
    if short is None:
        assert abs(value) >= 3.4e38
    else:
        assert math.isclose(short, value, rel_tol=5.0001e-4, abs_tol=0)


def test_an_amount_that_is_no_number_does_not_lose_the_sweep():
    done = WorkDone(load_id="a", steps=1, amount=math.nan, digest="0")
    assert back(Sweep(v=(1.0,), w=(done,))).w[0].amount == 0.0


def test_a_fault_keeps_what_json_cannot_hold_as_text():
    values = {"nan": math.nan, "inf": -math.inf, "big": 2**70, "text": "\udcff", "plain": 3, "yes": True}
    fault = back(FaultFound(load_id="a", load="m", stage=0, fault="x", values=values))
    assert fault.values == {
        "nan": "nan",
        "inf": "-inf",
        "big": hex(2**70),
        "text": "\\udcff",
        "plain": 3,
        "yes": True,
    }


def test_an_event_that_cannot_be_kept_becomes_a_remark_that_shows_it():
    event = back(InstrumentReading(name="room", value=math.inf, unit="degC"))
    assert isinstance(event, Remark)
    assert '"value":"inf"' in event.text
    assert '"kind":"instrument"' in event.text


def test_nested_content_is_kept_up_to_a_depth():
    endless = []
    endless.append(endless)
    fault = FaultFound(load_id="a", load="m", stage=0, fault="x", values={"v": endless, "w": object()})
    event = back(fault)
    assert isinstance(event, Remark)
    assert "nested too deep" in event.text


def test_records_inside_records_are_kept():
    started = LoadStarted(
        load_id="a", load="m", stage=0, core=None, params={"p": math.nan}, notes={"n": (Remark(text="x"),)}
    )
    event = back(started)
    assert isinstance(event, Remark)
    assert json.loads(event.text.partition(": ")[2])["notes"] == {"n": [{"text": "x"}]}
