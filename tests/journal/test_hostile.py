"""Journals made to hurt, with every checksum and hash right: read, or refused with one message, never a crash."""

from __future__ import annotations

import io
import random

import msgspec
import pytest

from burnin.errors import BurninError
from burnin.journal.frame import encode_line, line_hash
from burnin.journal.reader import read_journal, read_run_from
from burnin.journal.recovery import recover_run
from burnin.testing import storage_trials as trials
from burnin.testing.faulty_files import FaultyFiles

NASTY = [
    b"null",
    b"-1",
    b"1e308",
    b"-1e308",
    b"9223372036854775807",
    b"9223372036854775808",
    b"-99999999999999999999999999",
    b"1e400",
    b"NaN",
    b"[]",
    b"{}",
    b'""',
    b'"\\u0000"',
    b'"\\ud800"',
    b'"</script><script>alert(1)</script>"',
    b"\xff",
    b"[" * 5000,
    b"[[[[[[1]]]]]]",
    b"true",
    b"0.0",
    b'["a","a"]',
]


def hostile(journal: bytes, chance: random.Random) -> bytes:
    """Return a journal in which some values of some events are others, chained anew."""
    data, prev = b"", "0" * 64
    for seq, raw in enumerate(journal.splitlines()):
        event = raw[raw.index(b'"event":') + 8 : raw.rindex(b',"crc"')]
        for _ in range(chance.choice((0, 0, 1, 2))):
            values = [at for at in range(len(event)) if event[at : at + 1] in b":,["]
            start = chance.choice(values) + 1
            ends = [end for end in range(start, len(event)) if event[end : end + 1] in b",]}"]
            event = event[:start] + chance.choice(NASTY) + event[ends[0] :]
        stamp = chance.choice((0, msgspec.json.decode(raw)["t"], 2**63 - 1))
        line = encode_line(event, seq=seq, mono_ns=stamp, prev=prev)
        prev = line_hash(line)
        data += line + b"\n"
    return data


@pytest.mark.parametrize("seed", range(8))
def test_a_hostile_journal_is_read_or_refused(seed, journal):
    chance = random.Random(seed)
    told = set()
    for _ in range(40):
        data = hostile(journal, chance)
        lines, integrity = read_journal(data)
        told.add(bool(integrity.trouble))
        files = FaultyFiles()
        files.put("journal.jsonl", data)
        try:
            view = read_run_from(io.BytesIO(data), name="hostile")
            assert view.integrity.lines == len(lines)
            recover_run(trials.FOLDER, trials.EVIDENCE, files=files)
        except BurninError as refusal:
            told.add(refusal.slug if refusal.message and refusal.hint else "no hint")
    assert len(told) > 2
    assert "no hint" not in told
