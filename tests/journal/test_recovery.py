from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from burnin.errors import BurninError, InputError
from burnin.journal.compact import event_bytes
from burnin.journal.files import RealFiles
from burnin.journal.frame import encode_line, line_hash
from burnin.journal.reader import read_journal, read_run
from burnin.journal.recovery import TAIL_PREFIX, Evidence, find_unfinished, recover_run
from burnin.records.events import Resumed, RunClosed, RunRecovered
from burnin.testing import storage_trials as trials
from burnin.testing.faulty_files import Fault, FaultyFiles

FOLDER = trials.FOLDER
EVIDENCE = trials.EVIDENCE


def torn(journal, keep=6, extra=30):
    ends = [offset + 1 for offset, byte in enumerate(journal) if byte == 10]
    return journal[: ends[keep - 1] + extra]


def on_storage(data):
    files = FaultyFiles()
    files.put("journal.jsonl", data)
    return files


def after(data, event, *, seq, mono_ns=1):
    """Return the journal with one more line."""
    prev = line_hash(data.splitlines()[-1])
    return data + encode_line(event_bytes(event), seq=seq, mono_ns=mono_ns, prev=prev) + b"\n"


def test_a_torn_run_is_closed_with_its_evidence(journal):
    files = on_storage(torn(journal))
    files.put("journal.reserve", bytes(100))
    done = recover_run(FOLDER, EVIDENCE, files=files)
    lines, integrity = read_journal(files.content("journal.jsonl"))
    recovered, closed = lines[-2].event, lines[-1].event
    assert isinstance(recovered, RunRecovered)
    assert (recovered.dropped_bytes, recovered.same_boot, recovered.orderly) == (30, False, False)
    assert recovered.causes == ("kernel: watchdog",)
    assert recovered.uptime_s == 12.0
    assert closed == RunClosed(reason="cut_off", sweeps=2, faults=1)
    tail = f"{TAIL_PREFIX}{recovered.dropped_sha256}"
    assert files.content(tail) == torn(journal)[-30:]
    assert done.was_open
    assert (done.run_id, done.lines, done.dropped_bytes, done.tails) == ("trial", 6, 30, (tail,))
    assert "without an end" in done.trouble
    assert not integrity.trouble
    assert "journal.reserve" not in files.names(FOLDER)


def test_a_whole_but_open_run_is_closed_without_loss(journal):
    files = on_storage(torn(journal, extra=0))
    done = recover_run(FOLDER, EVIDENCE, files=files)
    recovered = read_journal(files.content("journal.jsonl"))[0][-2].event
    assert (recovered.dropped_bytes, recovered.dropped_sha256) == (0, "")
    assert (done.dropped_bytes, done.tails, done.trouble) == (0, (), "")


def test_a_closed_run_is_left_alone(journal):
    files = on_storage(journal)
    done = recover_run(FOLDER, EVIDENCE, files=files)
    assert not done.was_open
    assert files.content("journal.jsonl") == journal


@pytest.mark.parametrize(
    ("then", "now", "same"), [("a", "a", True), ("a", "b", False), ("", "b", None), ("a", "", None)]
)
def test_the_boot_is_compared_where_both_are_known(then, now, same, journal, events):
    opened = msgspec.structs.replace(
        events[0], anchor=msgspec.structs.replace(events[0].anchor, boot_id=then)
    )
    raw = encode_line(event_bytes(opened), seq=0, mono_ns=0, prev="0" * 64)
    files = on_storage(raw + b"\n")
    evidence = Evidence(anchor=msgspec.structs.replace(EVIDENCE.anchor, boot_id=now))
    assert recover_run(FOLDER, evidence, files=files).same_boot is same


def test_a_resumed_run_is_compared_with_its_last_start_and_recovered_anew(journal):
    whole = torn(journal, extra=0)
    files = on_storage(whole)
    recover_run(FOLDER, EVIDENCE, files=files)
    first = files.content("journal.jsonl")
    cut = first[: first.rstrip(b"\n").rfind(b"\n") + 1]  # recovered, but not closed
    data = after(cut, Resumed(anchor=EVIDENCE.anchor), seq=cut.count(b"\n"))
    files = on_storage(data)
    assert recover_run(FOLDER, EVIDENCE, files=files).same_boot is True
    kinds = [type(line.event) for line in read_journal(files.content("journal.jsonl"))[0]]
    assert kinds.count(RunRecovered) == 2
    files = on_storage(cut)
    recover_run(FOLDER, EVIDENCE, files=files)
    assert files.content("journal.jsonl") == first


@pytest.mark.parametrize(
    ("change", "message", "slug"),
    [
        (lambda data: b"", "empty file", "journal-bad"),
        (lambda data: data[:100], "without an end", "journal-bad"),
        (lambda data: data[:1500] + b"#" + data[1501:], "damaged later", "journal-damaged"),
        (lambda data: data + b"more", "damaged later", "journal-damaged"),
    ],
)
def test_what_was_not_cut_off_is_refused_and_left_alone(change, message, slug, journal):
    data = change(journal)
    files = on_storage(data)
    with pytest.raises(InputError, match=message) as caught:
        recover_run(FOLDER, EVIDENCE, files=files)
    assert caught.value.slug == slug
    assert caught.value.hint
    assert files.content("journal.jsonl") == data


def test_a_journal_of_another_version_is_refused_and_left_alone(journal, events):
    whole = torn(journal, extra=0)
    prev = line_hash(whole.splitlines()[-1])
    line = encode_line(b'{"kind":"unheard_of"}', seq=6, mono_ns=1, prev=prev)
    later = encode_line(
        event_bytes(msgspec.structs.replace(events[0], journal_format=2)), seq=0, mono_ns=0, prev="0" * 64
    )
    for data in (whole + line + b"\n", later + b"\n"):
        files = on_storage(data)
        with pytest.raises(InputError, match="another version"):
            recover_run(FOLDER, EVIDENCE, files=files)
        assert files.content("journal.jsonl") == data


def test_storage_that_refuses_is_reported_and_can_be_tried_again(journal):
    files = FaultyFiles(Fault(kind="full", at=1, on=frozenset({"write"})))
    files.put("journal.jsonl", torn(journal))
    with pytest.raises(BurninError, match="No space left") as caught:
        recover_run(FOLDER, EVIDENCE, files=files)
    assert caught.value.slug == "recovery-storage"
    assert recover_run(FOLDER, EVIDENCE, files=files).was_open
    trials.check_closed(files, trials.told_events(), torn(journal))


def test_unfinished_runs_are_found(tmp_path, journal):
    for name, data in {
        "open": torn(journal),
        "closed": journal,
        "not a run": b"x",
        "damaged": journal[:1500] + b"#" + journal[1501:],
    }.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "journal.jsonl").write_bytes(data)
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_bytes(b"")
    assert find_unfinished(tmp_path) == (tmp_path / "open",)
    assert find_unfinished(tmp_path / "none") == ()
    release = RealFiles().lock(tmp_path / "open")
    assert find_unfinished(tmp_path) == ()
    with pytest.raises(InputError, match="still being written"):
        recover_run(tmp_path / "open", EVIDENCE)
    release()
    recover_run(tmp_path / "open", EVIDENCE)
    assert find_unfinished(tmp_path) == ()
    assert read_run(tmp_path / "open").closed.reason == "cut_off"


def test_a_run_that_cannot_be_read_is_not_among_the_unfinished(tmp_path, journal):
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "journal.jsonl").write_bytes(torn(journal))

    class Unreadable(RealFiles):
        def read(self, path: Path) -> bytes:
            raise PermissionError(13, "Permission denied")

    assert find_unfinished(tmp_path, files=Unreadable()) == ()
