from __future__ import annotations

import numpy as np
import pytest

from burnin.records.channels import IMPLAUSIBLE, MISSING, OK, Channel, implausible, missing
from burnin.records.codec import from_json, sha256_hex, to_json, to_pretty_json
from burnin.records.events import AnyEvent, LoadStarted, Sweep, WorkDone
from burnin.records.inventory import Inventory
from burnin.records.plan import Plan, Stage
from burnin.testing.run_builder import RunBuilder

CHANNEL = Channel(id="a", source="s", quantity="temperature", label="A")
PLAN = Plan(format=1, name="p", title="P", stages=(Stage(name="one", duration_s=4),))


def test_an_empty_run_knows_nothing_and_says_so() -> None:
    view = RunBuilder(PLAN).view()
    assert view.channels == ()
    assert view.absent == ()
    assert view.inventory == Inventory()
    assert view.closed is None
    assert view.end_ns == 0
    assert view.stage_spans() == ()


def test_columns_keep_missing_and_implausible_apart() -> None:
    view = RunBuilder(PLAN).machine([CHANNEL]).sweeps_at([[1.5], [None]]).sweeps_at([[99.0]], bad=[0]).view()
    values, quality = view.column("a")
    assert list(quality) == [OK, MISSING, IMPLAUSIBLE]
    assert values[2] == 99.0
    np.testing.assert_array_equal(view.good("a"), [1.5, np.nan, np.nan])
    with pytest.raises(KeyError):
        view.column("b")
    with pytest.raises(ValueError, match="read-only"):
        view.values[0, 0] = 3.0


def test_stages_have_their_ends_or_the_last_known_time() -> None:
    built = RunBuilder(PLAN).machine([CHANNEL]).stage(0, "one").load("l", "matrix", stage=0)
    cut = built.sweeps_at([[1.0], [2.0]], work={"l": 3.0}).view()
    (span,) = cut.stage_spans()
    assert (span.reason, span.span_s, len(span.seqs)) == ("cut_off", 2.0, 1)
    assert list(cut.work["l"].amount) == [3.0, 6.0]
    assert list(cut.load_starts) == ["l"]
    assert cut.first(LoadStarted) is not None
    whole = built.end_load("l").end_stage(0, "one").close().view()
    (span,) = whole.stage_spans()
    assert (span.reason, len(span.seqs)) == ("time", 2)
    assert whole.closed.reason == "complete"


def test_records_go_through_json_and_back() -> None:
    sweep = Sweep(v=(1.0, None), bad=(0,), w=(WorkDone(load_id="l", steps=1, amount=2.0, digest="ff"),))
    data = to_json(sweep)
    assert data == b'{"kind":"sweep","v":[1.0,null],"bad":[0],"w":[["l",1,2.0,"ff"]]}'
    assert from_json(data, AnyEvent) == sweep
    assert to_pretty_json({"b": 1, "a": 2}) == b'{\n  "a": 2,\n  "b": 1\n}\n'
    assert sha256_hex(b"abc").startswith("ba7816bf")  # FIPS 180-4, the message "abc"


def test_readings_that_failed_carry_their_reason() -> None:
    assert missing("gone") == missing("gone")
    assert (missing("gone").value, missing("gone").quality) == (None, MISSING)
    assert (implausible(127.5, "open").value, implausible(127.5, "open").quality) == (127.5, IMPLAUSIBLE)
    assert CHANNEL.unit == "degC"


def test_what_recovery_wrote_is_not_the_runs_own_time() -> None:
    from burnin.records.events import Anchor, RunClosed, RunRecovered

    built = RunBuilder(PLAN).machine([CHANNEL]).stage(0, "one").wait(16).sweeps_at([[1.0]])
    anchor = Anchor(
        wall_ns=built.view().opened.anchor.wall_ns + 84 * 10**9, utc_offset_s=0, mono_ns=5, boot_ns=5
    )
    built.mono_ns = 5
    view = built.add(RunRecovered(anchor=anchor), RunClosed(reason="cut_off")).view()
    assert view.end_ns == 17 * 10**9
    (span,) = view.stage_spans()
    assert span.end_ns == 17 * 10**9
