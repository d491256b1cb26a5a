from __future__ import annotations

import dataclasses

import msgspec
import pytest

from burnin.criteria.evidence_whole import PLUGIN
from burnin.records.events import ClockStepped, RunRecovered, StorageTrouble
from burnin.records.view import Integrity


def _judge(view):
    return PLUGIN.judge(view, {})


def test_a_whole_record_passes(tell):
    (finding,) = _judge(tell().all().builder.close().view())
    assert (finding.outcome, finding.slug) == ("pass", "whole")
    assert finding.values["lines"] > 500


@pytest.mark.parametrize(
    ("state", "trouble", "observed"),
    [
        ({"dropped_bytes": 40}, "an unfinished line", 40.0),
        ({"trouble": "crc", "dropped_bytes": 7}, "crc", 7.0),
        ({"trouble": "chain"}, "chain", 0.0),
    ],
)
def test_a_damaged_record_is_open(tell, state, trouble, observed):
    view = tell().builder.close().view()
    broken = msgspec.structs.replace(Integrity(lines=4, head_sha256=""), **state)
    (finding,) = _judge(dataclasses.replace(view, integrity=broken))
    assert (finding.outcome, finding.slug, finding.observed) == ("inconclusive", "damaged", observed)
    assert finding.values == {"trouble": trouble, "line": 4}


def test_a_torn_line_put_on_record_by_the_recovery_is_stated(tell):
    run = tell().builder
    anchor = run.view().opened.anchor
    run.add(RunRecovered(anchor=anchor, dropped_bytes=12, dropped_sha256="ab"))
    (finding,) = _judge(run.view())
    assert (finding.outcome, finding.slug) == ("pass", "recovered")
    assert (finding.values["dropped_bytes"], finding.values["dropped_sha256"]) == (12, "ab")


def test_lost_lines_and_sleep_are_holes_and_waiting_is_not(tell):
    run = tell().builder.add(
        StorageTrouble(what="write", error="ENOSPC", span_s=3.0), ClockStepped(what="wall", by_s=2.0)
    )
    (waited,) = _judge(run.view())
    assert (waited.outcome, waited.values["storage_waits"], waited.values["clock_steps"]) == ("pass", 1, 1)
    run.add(StorageTrouble(what="write", error="ENOSPC", lost=3), ClockStepped(what="suspend", by_s=60.0))
    lost, slept = _judge(run.view())
    assert (lost.slug, lost.observed, lost.values["error"]) == ("lines_lost", 3.0, "ENOSPC")
    assert (slept.slug, slept.observed, slept.outcome) == ("slept", 60.0, "inconclusive")
