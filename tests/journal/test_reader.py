from __future__ import annotations

import io
import json
from pathlib import Path

import jsonschema
import pytest

from burnin.errors import InputError
from burnin.journal import reader as reading
from burnin.journal.compact import event_bytes
from burnin.journal.frame import NO_LINE_BEFORE, encode_line, line_hash
from burnin.journal.reader import JournalReader, open_journal, read_journal, read_run
from burnin.records.events import KernelLine, Remark, Resumed, RunRecovered, Sweep, WorkDone
from burnin.testing import storage_trials as trials

SCHEMA = Path(__file__).parents[2] / "docs" / "schema" / "journal-line.schema.json"


def lines_of(*events):
    data, prev = b"", NO_LINE_BEFORE
    for seq, event in enumerate(events):
        raw = encode_line(event_bytes(event), seq=seq, mono_ns=seq * 10**9, prev=prev)
        prev = line_hash(raw)
        data += raw + b"\n"
    return data


def test_events_come_back_in_order(journal, events):
    lines, integrity = read_journal(journal)
    assert [line.event for line in lines] == [trials.as_read(event) for event in events]
    assert [line.seq for line in lines] == list(range(len(events)))
    assert integrity.lines == len(events)
    assert integrity.head_sha256 == line_hash(journal.splitlines()[-1])
    assert (integrity.dropped_bytes, integrity.trouble) == (0, "")


@pytest.mark.parametrize("chunk", [1, 7, 100, 1 << 20])
def test_the_size_of_pieces_read_makes_no_difference(chunk, journal, monkeypatch):
    monkeypatch.setattr(reading, "_CHUNK", chunk)
    broken = journal[:1500] + b"#" + journal[1501:]
    assert read_journal(io.BytesIO(journal))[1].lines == journal.count(b"\n")
    _, integrity = read_journal(broken)
    start = broken.rfind(b"\n", 0, 1500) + 1
    assert integrity.dropped_bytes == len(broken) - start


def test_every_line_fits_the_published_schema(journal):
    schema = json.loads(SCHEMA.read_text())
    check = jsonschema.Draft202012Validator(schema)
    for line in journal.splitlines():
        check.validate(json.loads(line))
    bad = json.loads(journal.splitlines()[0]) | {"seq": -1}
    assert not check.is_valid(bad)


def test_a_run_is_read_from_its_folder_or_its_journal(tmp_path, journal):
    file = tmp_path / "journal.jsonl"
    file.write_bytes(journal)
    for path in (tmp_path, file):
        view = read_run(path)
        assert view.opened.run_id == "trial"
        assert view.values.shape == (4, 3)
        assert view.closed is not None
        assert view.integrity.lines == len(trials.told_events())
    assert read_journal(file)[1] == view.integrity


def test_a_torn_run_is_read_up_to_the_tear(tmp_path, journal):
    (tmp_path / "journal.jsonl").write_bytes(journal[:-5])
    view = read_run(tmp_path)
    assert view.closed is None
    assert view.integrity.dropped_bytes > 0
    assert "found" in view.integrity.trouble
    assert "newline" in view.integrity.trouble


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "an empty file"),
        (b"\xff\xfe\n", "line 1, line"),
        (b"{}\n", "line 1, line: found an end of"),
        (b"no end", "without an end"),
        (b"[" * 100_000 + b"\n", "line 1"),
        (lines_of(Remark(text="x")), "event of kind Remark"),
        (lines_of(trials.told_events()[0]).replace(b'"crc":"', b'"crc":"0'), "line 1"),
    ],
)
def test_what_is_no_journal_is_refused_with_one_clear_message(tmp_path, content, found):
    file = tmp_path / "journal.jsonl"
    file.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_run(tmp_path)
    assert found in caught.value.message
    assert str(tmp_path) in caught.value.message
    assert "expected" in caught.value.message
    assert caught.value.hint


def test_a_journal_of_a_later_format_is_refused(tmp_path):
    import msgspec

    later = msgspec.structs.replace(trials.told_events()[0], journal_format=99)
    (tmp_path / "journal.jsonl").write_bytes(lines_of(later))
    with pytest.raises(InputError, match="journal format 99; expected 1 or less"):
        read_run(tmp_path)


def test_a_line_beyond_the_limit_stops_reading(monkeypatch, events):
    monkeypatch.setattr(reading, "LONGEST_LINE", 2_000)
    whole = lines_of(events[0], Remark(text="x" * 3_000), Remark(text="y"))
    lines, integrity = read_journal(whole)
    assert len(lines) == 1
    assert "more than 2000 bytes" in integrity.trouble
    assert integrity.dropped_bytes == len(whole) - whole.index(b"\n") - 1


def test_a_line_without_an_end_is_given_up_at_the_limit(monkeypatch, events):
    monkeypatch.setattr(reading, "LONGEST_LINE", 2_000)
    monkeypatch.setattr(reading, "_CHUNK", 1_000)
    first = lines_of(events[0])
    stream = io.BytesIO(first + b"x" * 50_000)
    reader = JournalReader(stream)
    assert len(list(reader)) == 1
    assert reader.integrity.dropped_bytes == 50_000
    assert "more than 2000 bytes" in reader.integrity.trouble


def test_ten_megabytes_without_an_end_are_refused(tmp_path):
    file = tmp_path / "journal.jsonl"
    file.write_bytes(b"x" * 11_000_000)
    with pytest.raises(InputError, match="more than 10000000 bytes"):
        read_run(file)


def test_what_is_not_there_or_no_file_is_refused(tmp_path, monkeypatch):
    for path in (tmp_path, tmp_path / "none", Path("/dev/zero")):
        with pytest.raises(InputError, match="found no journal"):
            open_journal(path)
    (tmp_path / "journal.jsonl").write_bytes(b"")
    monkeypatch.setattr(
        Path, "open", lambda *_: (_ for _ in ()).throw(PermissionError(13, "Permission denied"))
    )
    with pytest.raises(InputError, match="cannot be read: Permission denied"):
        open_journal(tmp_path)


def test_a_sweep_that_does_not_fit_the_channels_is_refused(tmp_path, events):
    for sweep in (Sweep(v=(1.0,)), Sweep(v=(1.0, 2.0, 3.0), bad=(3,)), Sweep(v=(1.0, 2.0, 3.0), bad=(-1,))):
        (tmp_path / "journal.jsonl").write_bytes(lines_of(*events[:2], sweep))
        with pytest.raises(InputError, match="found a sweep"):
            read_run(tmp_path)


def test_counts_beyond_64_bits_are_refused(tmp_path, events):
    data = lines_of(
        *events[:2], Sweep(v=(1.0, 2.0, 3.0), w=(WorkDone(load_id="a", steps=2**63, amount=1.0, digest="0"),))
    )
    (tmp_path / "journal.jsonl").write_bytes(data)
    with pytest.raises(InputError, match="more than 64 bits"):
        read_run(tmp_path)


def test_a_value_beyond_32_bits_is_missing(tmp_path, events):
    raw = lines_of(*events[:2], Sweep(v=(1.5, 2.0, 3.0), bad=(0,)))
    prev = line_hash(raw.splitlines()[1])
    line = encode_line(b'{"kind":"sweep","v":[1e300,null,2]}', seq=2, mono_ns=9, prev=prev)
    (tmp_path / "journal.jsonl").write_bytes(b"".join(raw.splitlines(keepends=True)[:2]) + line + b"\n")
    view = read_run(tmp_path)
    assert view.quality.tolist() == [[1, 1, 0]]
    (tmp_path / "journal.jsonl").write_bytes(raw)
    assert read_run(tmp_path).quality.tolist() == [[2, 0, 0]]


def test_time_runs_on_across_a_restart(tmp_path, events):
    later = trials.EVIDENCE.anchor
    data = lines_of(
        *events[:2],
        Sweep(v=(1.0, 2.0, 3.0), w=(WorkDone(load_id="a", steps=5, amount=2.5, digest="0"),)),
        Resumed(anchor=later),
        KernelLine(what="other", text="x"),
        RunRecovered(anchor=later),
    )
    (tmp_path / "journal.jsonl").write_bytes(data)
    view = read_run(tmp_path)
    assert [entry.segment for entry in view.entries] == [0, 0, 1, 1, 2]
    times = [entry.t_ns for entry in view.entries]
    assert times == sorted(times)
    assert view.work["a"].steps.tolist() == [5]


def test_a_run_without_sweeps_has_empty_columns(tmp_path, events):
    (tmp_path / "journal.jsonl").write_bytes(lines_of(events[0]))
    assert read_run(tmp_path).values.shape == (0, 0)
