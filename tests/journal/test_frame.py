from __future__ import annotations

import json
import zlib

import pytest

from burnin.journal.frame import (
    NO_LINE_BEFORE,
    BadLine,
    Line,
    decode_line,
    decode_unchained,
    encode_line,
    line_hash,
)
from burnin.records import codec
from burnin.records.events import Remark

EVENT = Remark(text='tüte \U0001f600 \x00 " , ] }')


def line(event_json=None, *, seq=0, prev=NO_LINE_BEFORE, mono_ns=5):
    return encode_line(event_json or codec.to_json(EVENT), seq=seq, mono_ns=mono_ns, prev=prev)


def sealed(body: bytes) -> bytes:
    return body + b',"crc":"%08x"}' % zlib.crc32(body)


def test_a_line_comes_back_as_it_was():
    assert decode_line(line(), seq=0, prev=NO_LINE_BEFORE) == Line(seq=0, mono_ns=5, event=EVENT)


def test_any_json_tool_reads_a_line():
    parsed = json.loads(line(seq=3, prev="a" * 64))
    assert list(parsed) == ["seq", "t", "prev", "event", "crc"]
    assert parsed["event"] == {"kind": "remark", "text": EVENT.text}


def test_the_checksum_is_the_crc_32_of_the_published_check_value():
    # CRC-32/ISO-HDLC (the one of IEEE 802.3): its catalogued check value over "123456789" is cbf43926.
    assert sealed(b"123456789").endswith(b',"crc":"cbf43926"}')


def test_the_hash_is_the_sha_256_of_the_published_example():
    # FIPS 180-4 example "abc" (NIST, SHA-256 worked example).
    assert line_hash(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize(
    ("raw", "field", "found"),
    [
        (b"", "line", "''"),
        (b"{}", "line", "'{}'"),
        (line()[:-1], "line", "an end of"),
        (line() + b" ", "line", "an end of"),
        (line().replace(b'"crc"', b'"cRc"'), "line", "an end of"),
        (line()[:-10] + b'00000000"}', "crc", "'00000000'"),
        (line()[:-10] + b'\xff0000000"}', "crc", r"\\xff"),
        (line().replace(b"remark", b"rEmark"), "crc", ""),
        (line(seq=1), "seq", "1"),
        (line(prev="b" * 64), "prev", "b" * 64),
    ],
)
def test_damage_is_named(raw, field, found):
    bad = decode_line(raw, seq=0, prev=NO_LINE_BEFORE)
    assert isinstance(bad, BadLine)
    assert bad.field == field
    assert found in str(bad)
    assert not bad.intact


HEAD = b'{"seq":0,"t":5,"prev":"' + b"0" * 64 + b'","event":'


@pytest.mark.parametrize(
    ("body", "field", "found", "intact"),
    [
        (HEAD + b'{"kind":"unheard_of"}', "event.kind", "unheard_of", True),
        (HEAD + b'{"kind":"remark"}', "event", "text", True),
        (HEAD + b'{"kind":"remark","text":NaN}', "line", "malformed", False),
        (HEAD + b'{"kind":"sweep","v":[1e999]}', "event.v[0]", "out of range", True),
        (HEAD + b'{"kind":"sweep","v":[Infinity]}', "line", "malformed", False),
        (HEAD + b'{"kind":"remark","text":"\xff"}', "line", "utf-8", True),
        (HEAD + b'{"kind":"remark","text":' + b"[" * 100_000, "event.text", "array", False),
        (HEAD + b'{"kind":"remark","x":' + b"[" * 100_000, "line", "too deep", False),
        (HEAD.replace(b'"t":5', b'"t":-5') + b'{"kind":"remark","text":""}', "t", ">= 0", True),
        (HEAD.replace(b'"t":5', b'"t":9223372036854775808') + b'{"kind":"remark","text":""}', "t", "", True),
        (HEAD.replace(b'"seq":0', b'"seq":1') + b'{"kind":"unheard_of"}', "event.kind", "", False),
    ],
)
def test_content_that_is_no_event_is_named(body, field, found, intact):
    bad = decode_line(sealed(body), seq=0, prev=NO_LINE_BEFORE)
    assert isinstance(bad, BadLine)
    assert (bad.field, bad.intact) == (field, intact)
    assert found in bad.found


def test_a_line_is_read_wherever_it_belongs_if_its_checksum_is_right():
    assert isinstance(decode_unchained(line(seq=7, prev="c" * 64)), Line)
    assert isinstance(decode_unchained(line(seq=7)[:-1]), BadLine)
    assert isinstance(decode_unchained(line(seq=7).replace(b"remark", b"rEmark")), BadLine)
