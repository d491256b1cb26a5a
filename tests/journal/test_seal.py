"""Seal, key and checks: every change is found, and what a check cannot say is said."""

from __future__ import annotations

import builtins
import io
import os
import random

import msgspec
import pytest

from burnin.errors import BurninError, InputError
from burnin.journal import keys
from burnin.journal.differences import changed_byte, field_at, json_differences
from burnin.journal.frame import encode_line, line_hash
from burnin.journal.keys import create_key, fingerprint, load_key, signature_is_good
from burnin.journal.seal import Attempt, make_seal, sign_seal
from burnin.journal.verify import verify_files, verify_journal, verify_seal
from burnin.records import codec

FILES = {"result.json": b'{"standing":"accepted"}', "plan.toml": b"format = 1\n"}


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return create_key(tmp_path_factory.mktemp("key") / "seal.pem")


@pytest.fixture
def seal(journal):
    attempts = (Attempt(run_id="r1", standing="rejected", date="2026-01-01"),)
    return make_seal(io.BytesIO(journal), files=FILES, attempts=attempts)


@pytest.fixture
def no_library(monkeypatch):
    real = builtins.__import__

    def refuse(name, *args, **kwargs):
        if name.startswith("cryptography"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", refuse)


def outcomes(checks):
    return {check.subject: check.outcome for check in checks}


def rechained(journal, number, old, new):
    """Return the journal with one line's content changed and every checksum and hash made right again: a forgery."""
    data, prev = b"", "0" * 64
    for seq, raw in enumerate(journal.splitlines()):
        event = raw[raw.index(b'"event":') + 8 : raw.rindex(b',"crc"')]
        if seq == number:
            assert old in event
            event = event.replace(old, new)
        stamp = msgspec.json.decode(raw)["t"]
        line = encode_line(event, seq=seq, mono_ns=stamp, prev=prev)
        prev = line_hash(line)
        data += line + b"\n"
    return data


def test_the_seal_says_what_the_run_is(seal, journal, events):
    assert (seal.lines, seal.size, seal.sweeps, seal.faults) == (len(events), len(journal), 4, 1)
    assert seal.head_sha256 == line_hash(journal.splitlines()[-1])
    assert seal.run_id == "trial"
    assert seal.files == {name: codec.sha256_hex(data) for name, data in FILES.items()}
    assert outcomes(verify_journal(io.BytesIO(journal), seal)) == {"journal": "ok"}
    assert set(outcomes(verify_files(FILES, seal)).values()) == {"ok"}


def test_a_damaged_or_empty_journal_is_not_sealed(journal):
    for data in (journal[:-1], b"", journal.replace(b"trial", b"trail", 1)):
        with pytest.raises(InputError, match="expected a whole journal"):
            make_seal(io.BytesIO(data))


def test_a_signature_holds_for_its_key_and_seal_alone(seal, key):
    sealed = sign_seal(seal, key)
    data = codec.to_json(sealed)
    shown = fingerprint(key.public_hex)
    for known in ("", shown, shown.replace(" ", "").upper()):
        back, checks = verify_seal(data, known_fingerprint=known)
        assert back == sealed
        assert outcomes(checks) == {"seal": "ok", "signature": "ok"}
    assert shown in checks[1].found
    _, checks = verify_seal(data, known_fingerprint="0" * 64)
    assert outcomes(checks)["signature"] == "unknown_key"


def test_an_unsigned_seal_is_never_called_good(seal):
    _, checks = verify_seal(codec.to_json(sign_seal(seal, None)))
    assert outcomes(checks) == {"seal": "ok", "signature": "not_checked"}
    assert "accidental damage only" in checks[1].note
    _, checks = verify_seal(codec.to_json(sign_seal(seal, None)), known_fingerprint="0" * 64)
    assert outcomes(checks)["signature"] == "unknown_key"


def test_without_the_library_nothing_is_called_good(seal, key, no_library, tmp_path):
    sealed = sign_seal(seal, key)
    _, checks = verify_seal(codec.to_json(sealed))
    assert outcomes(checks) == {"seal": "ok", "signature": "not_checked"}
    assert "not checked" in checks[1].note
    for operation in (create_key, load_key):
        with pytest.raises(BurninError, match="not installed"):
            operation(tmp_path / "key")


def test_a_forgery_sealed_again_with_another_key_is_an_unknown_key(journal, key, tmp_path):
    forged = rechained(journal, 5, b"wrong_result", b"right_result")
    other = create_key(tmp_path / "other")
    sealed = sign_seal(make_seal(io.BytesIO(forged)), other)
    _, checks = verify_seal(codec.to_json(sealed), known_fingerprint=fingerprint(key.public_hex))
    assert outcomes(checks)["signature"] == "unknown_key"
    assert outcomes(verify_journal(io.BytesIO(forged), sealed.seal)) == {"journal": "ok"}


def test_a_forged_journal_is_found_out_to_its_lines(journal, seal):
    forged = rechained(journal, 5, b"wrong_result", b"right_result")
    checks = verify_journal(io.BytesIO(forged), seal)
    places = [check.place for check in checks]
    assert places[:2] == ["head_sha256", "lines 6 to 6, hash"]
    fewer = b"".join(journal.splitlines(keepends=True)[:-1])
    by_place = {
        check.place: (check.found, check.expected) for check in verify_journal(io.BytesIO(fewer), seal)
    }
    assert by_place["lines"] == (str(seal.lines - 1), str(seal.lines))
    assert verify_journal(io.BytesIO(b""), seal)[0].outcome == "changed"


def test_a_changed_field_is_named_with_what_it_was(journal, seal):
    changed = journal.replace(b"wrong_result", b"wrong_resulT")
    (check,) = verify_journal(io.BytesIO(changed), seal)
    assert (check.place, check.found, check.expected) == (
        "line 6, event.fault",
        '"wrong_resulT"',
        '"wrong_result"',
    )
    broken = journal.replace(b'{"seq":3', b'("seq":3')
    (check,) = verify_journal(io.BytesIO(broken), seal)
    assert (check.place, check.found, check.expected) == ("line 4, line, byte 1", "'('", "'{'")


def test_where_more_than_a_byte_was_changed_the_line_is_named(journal, seal):
    (check,) = verify_journal(io.BytesIO(journal.replace(b"wrong_result", b"right_result")), seal)
    assert check.place == "line 6, crc"
    (check,) = verify_journal(io.BytesIO(journal[:-1] + b"!"), seal)
    assert check.place == f"line {seal.lines}, line"
    lines = journal.splitlines(keepends=True)
    lines[0] = lines[0].replace(b"trial", b"trail")
    lines[1] = lines[1].replace(b'"prev":"', b'"prev":"X')
    (check,) = verify_journal(io.BytesIO(b"".join(lines)), seal)
    assert check.place == "line 1, crc"


def test_every_changed_byte_of_a_sealed_journal_is_found_and_named(journal, seal):
    chance = random.Random(6)
    exact = 0
    for _ in range(60):
        offset = chance.randrange(len(journal))
        changed = bytearray(journal)
        changed[offset] ^= chance.randrange(1, 256)
        checks = verify_journal(io.BytesIO(bytes(changed)), seal)
        assert checks[0].outcome == "changed"
        number = journal.count(b"\n", 0, offset) + 1
        assert checks[0].place.startswith(f"line {number}, ")
        exact += bool(checks[0].expected) and ("byte" in checks[0].place or "event" in checks[0].place)
    assert exact > 40


def test_every_changed_byte_of_a_signed_seal_is_found(seal, key):
    data = codec.to_json(sign_seal(seal, key))
    for offset in range(len(data)):
        changed = bytearray(data)
        changed[offset] ^= 1
        _, checks = verify_seal(bytes(changed))
        assert "changed" in outcomes(checks).values(), offset
    _, checks = verify_seal(data + b"\n")
    assert "changed" in outcomes(checks).values()


@pytest.mark.parametrize("data", [b"", b"[]", b"\xff", b"[" * 100_000, b'{"seal":' + b"[" * 100_000])
def test_what_is_no_seal_is_no_crash(data):
    sealed, checks = verify_seal(data)
    assert sealed is None
    assert checks[0].outcome == "changed"


def test_files_added_changed_and_missing_are_named(seal):
    checks = verify_files({"result.json": b"{}", "more.txt": b""}, seal)
    assert outcomes(checks) == {"more.txt": "changed", "plan.toml": "changed", "result.json": "changed"}
    assert checks[0].expected == "no such file"
    assert checks[1].found == "no such file"


def test_the_signature_is_the_published_one():
    # RFC 8032, section 7.1, test 2 (Ed25519): secret, public key, message 72, signature.
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

    secret = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    public = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    signature = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    own = keys.SigningKey(Ed25519PrivateKey.from_private_bytes(secret))
    assert own.public_hex == public
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), b"\x72")
    assert signature_is_good(public, own.sign(b"\x72"), b"\x72") is True
    assert (
        signature_is_good(public, signature, b"\x72") is False
    )  # signed without this program's own beginning
    assert signature_is_good("zz", signature, b"\x72") is False


def test_a_key_file_is_its_owners_alone(tmp_path, key):
    path = tmp_path / "seal.pem"
    old = os.umask(0)
    try:
        made = create_key(path)
    finally:
        os.umask(old)
    assert path.stat().st_mode & 0o777 == 0o600
    assert load_key(path).public_hex == made.public_hex != key.public_hex
    with pytest.raises(InputError, match="found a file"):
        create_key(path)
    path.chmod(0o644)
    with pytest.raises(InputError, match="found rights 644; expected 600"):
        load_key(path)


def test_what_is_no_key_is_refused(tmp_path):
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

    path = tmp_path / "key"
    with pytest.raises(InputError, match="cannot be read"):
        load_key(path)
    with pytest.raises(InputError, match="cannot be written"):
        create_key(tmp_path / "none" / "key")
    other = X25519PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    for data, found in ((b"x", "something else"), (other, "another kind")):
        path.write_bytes(data)
        path.chmod(0o600)
        with pytest.raises(InputError, match=found):
            load_key(path)


def test_differences_are_named_by_path():
    found = b'{"a":[1,2],"b":{"c":true},"d":1,"x":0}'
    expected = b'{"a":[1,3,4],"b":{"c":1},"d":1,"e":null}'
    problems = {
        problem.place: (problem.found, problem.expected) for problem in json_differences(found, expected)
    }
    assert problems == {
        "a[1]": ("2", "3"),
        "a[2]": ("nothing", "4"),
        "b.c": ("true", "1"),
        "e": ("nothing", "null"),
        "x": ("0", "nothing"),
    }
    assert json_differences(b"1", b"2")[0].place == "document"
    assert json_differences(b"", b"2")[0].place == "document"
    assert len(json_differences(b"[" + b"1," * 99 + b"1]", b"[" + b"2," * 99 + b"2]")) == 50
    assert json_differences(b'"' + b"x" * 500 + b'"', b"1")[0].found.endswith("...")


def test_a_changed_byte_is_found_when_it_was_one():
    raw = b"the bytes as they were"
    assert changed_byte(b"the bytes aS they were", line_hash(raw)) == (11, ord("s"))
    assert changed_byte(b"thE bytes aS they were", line_hash(raw)) is None
    assert changed_byte(b"x" * 5000, line_hash(raw)) is None


def test_the_field_of_a_byte_is_named(journal):
    line = journal.splitlines()[1]
    at = {
        name: field_at(line, line.index(name.encode()))
        for name in ('"seq"', '"t"', '"prev"', '"event"', "s/c/1")
    }
    assert at == {'"seq"': "seq", '"t"': "t", '"prev"': "prev", '"event"': "event", "s/c/1": "event"}
    assert field_at(line, len(line) - 3) == "crc"
    assert field_at(line, 0) == "line"
