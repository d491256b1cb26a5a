from __future__ import annotations

import pytest

from burnin.cli.metrics import Both, MetricsFile, metrics_text
from burnin.engine.observer import LoadLine, Snapshot
from burnin.records.channels import UNITS, Channel
from burnin.records.events import Remark

prometheus = pytest.importorskip("prometheus_client")
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics  # noqa: E402
from prometheus_client.parser import text_string_to_metric_families as text_format  # noqa: E402


def _channel(quantity, name, **fields):
    return Channel(id=name, source="s", quantity=quantity, label=f"Label of {name}", **fields)


CHANNELS = (
    _channel("temperature", "t", role="cpu_hottest"),
    _channel("temperature", 'odd "name"\\\n'),
    _channel("frequency", "f"),
    _channel("load", "l"),
    _channel("memory", "m"),
    _channel("power", "gone"),
)
SNAPSHOT = Snapshot(
    run_id="run-1",
    stage=1,
    stages=2,
    stage_name="soak",
    stage_left_s=30.0,
    run_left_s=90.0,
    elapsed_s=12.5,
    channels=CHANNELS,
    values=(61.5, -3.25, 4500.0, 99.5, 1.5, None),
    trips={},
    loads=(
        LoadLine(
            load_id="a", load="matrix", core=3, amount=120.5, unit="products", faults=0, state="working"
        ),
        LoadLine(load_id="b", load="memory", core=None, amount=7.0, unit="GB", faults=1, state="working"),
    ),
    faults=1,
    state="running",
)


def _samples(text, parser=open_metrics):
    return {
        (sample.name, sample.labels.get("channel") or sample.labels.get("id") or ""): sample.value
        for family in parser(text)
        for sample in family.samples
    }


@pytest.mark.parametrize("parser", [open_metrics, text_format])
def test_the_reference_parsers_read_every_value_in_base_units(parser):
    samples = _samples(metrics_text(SNAPSHOT), parser)
    assert samples == {
        ("burnin_run_going", ""): 1.0,
        ("burnin_run_elapsed_seconds", ""): 12.5,
        ("burnin_run_left_seconds", ""): 90.0,
        ("burnin_wrong_results_total", ""): 1.0,
        ("burnin_work_total", "a"): 120.5,
        ("burnin_work_total", "b"): 7.0,
        ("burnin_temperature_celsius", "t"): 61.5,
        ("burnin_temperature_celsius", 'odd "name"\\\n'): -3.25,
        ("burnin_frequency_hertz", "f"): 4.5e9,
        ("burnin_load_ratio", "l"): pytest.approx(0.995),
        ("burnin_memory_bytes", "m"): 1.5 * 2**30,
    }


@pytest.mark.parametrize("quantity", sorted(UNITS))
def test_every_quantity_has_a_name_that_the_standard_takes(quantity):
    snapshot = Snapshot(**{**vars(SNAPSHOT), "channels": (_channel(quantity, "x"),), "values": (2.0,)})
    assert any(name[1] == "x" for name in _samples(metrics_text(snapshot)))


def test_labels_say_what_a_channel_is():
    families = {family.name: family for family in open_metrics(metrics_text(SNAPSHOT))}
    first = families["burnin_temperature_celsius"].samples[0]
    assert first.labels == {"run": "run-1", "channel": "t", "label": "Label of t", "role": "cpu_hottest"}
    assert families["burnin_work"].samples[1].labels["core"] == ""
    assert families["burnin_run_going"].samples[0].labels["stage"] == "soak"
    assert (families["burnin_work"].type, families["burnin_run_going"].type) == ("counter", "gauge")


def test_once_over_no_old_reading_is_left():
    for text in (
        metrics_text(SNAPSHOT, over=True),
        metrics_text(Snapshot(**{**vars(SNAPSHOT), "state": "over"})),
    ):
        samples = _samples(text)
        assert samples["burnin_run_going", ""] == 0.0
        assert samples["burnin_run_left_seconds", ""] == 0.0
        assert samples["burnin_wrong_results_total", ""] == 1.0
        assert not [name for name, _ in samples if "celsius" in name]


def test_before_the_first_stage_there_is_no_work():
    text = metrics_text(Snapshot(**{**vars(SNAPSHOT), "loads": ()}))
    assert "burnin_work" not in text
    assert text.endswith("# EOF\n")


class TestFile:
    def test_it_is_replaced_whole(self, tmp_path):
        path = tmp_path / "burnin.prom"
        file = MetricsFile(path)
        file.event(Remark(text="nothing"), 1.0)
        assert not path.exists()
        file.snapshot(SNAPSHOT)
        first = path.stat().st_ino
        assert path.read_text(encoding="utf-8") == metrics_text(SNAPSHOT)
        file.snapshot(SNAPSHOT)
        assert path.stat().st_ino != first
        file.close()
        assert "burnin_run_going" in path.read_text(encoding="utf-8")
        assert "celsius" not in path.read_text(encoding="utf-8")
        assert sorted(each.name for each in tmp_path.iterdir()) == ["burnin.prom", "home"]

    def test_a_reader_sees_the_old_file_or_the_new_one(self, tmp_path, monkeypatch):
        """At the moment before the renaming the file is still the old one, whole."""
        path = tmp_path / "m"
        file = MetricsFile(path)
        file.snapshot(SNAPSHOT)
        seen = []
        import os

        real = os.replace
        monkeypatch.setattr(
            os, "replace", lambda a, b: (seen.append(path.read_text(encoding="utf-8")), real(a, b))
        )
        file.snapshot(Snapshot(**{**vars(SNAPSHOT), "faults": 7}))
        assert seen == [metrics_text(SNAPSHOT)]
        assert _samples(path.read_text(encoding="utf-8"))["burnin_wrong_results_total", ""] == 7.0

    def test_a_place_that_cannot_be_written_is_told_once_and_stops_nothing(self, tmp_path, capsys):
        file = MetricsFile(tmp_path / "no" / "m")
        for _ in range(3):
            file.snapshot(SNAPSHOT)
        file.close()
        err = capsys.readouterr().err
        assert err.count("the run goes on without") == 1

    def test_a_run_that_never_showed_anything_leaves_no_file(self, tmp_path):
        MetricsFile(tmp_path / "m").close()
        assert not (tmp_path / "m").exists()


def test_both_observers_are_told():
    told = []

    class Ear:
        def event(self, event, elapsed_s):
            told.append(("event", elapsed_s))

        def snapshot(self, snapshot):
            told.append(("snapshot", snapshot.run_id))

    both = Both(Ear(), Ear())
    both.event(Remark(text="x"), 2.0)
    both.snapshot(SNAPSHOT)
    assert told == [("event", 2.0)] * 2 + [("snapshot", "run-1")] * 2


def test_accept_writes_it_while_it_runs(monkeypatch, tmp_path):
    """The run's own snapshots reach the file, and the file says at the end that the run is over."""
    from burnin.cli import accept as module

    seen = []
    path = tmp_path / "burnin.prom"

    def conduct(request, equipment, observer):
        observer.event(Remark(text="x"), 0.0)
        observer.snapshot(SNAPSHOT)
        seen.append(path.read_text(encoding="utf-8"))
        return "conducted"

    monkeypatch.setattr(module, "conduct", conduct)
    assert module.run_watched(None, None, metrics=path) == "conducted"
    assert _samples(seen[0])["burnin_run_going", ""] == 1.0
    assert _samples(path.read_text(encoding="utf-8"))["burnin_run_going", ""] == 0.0
    assert module.run_watched(None, None) == "conducted"
