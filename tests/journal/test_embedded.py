"""A certificate that carries its seal, and the bundle of it all: a thousand changed bytes, all found."""

from __future__ import annotations

import io
import random

import msgspec
import pytest

from burnin.errors import InputError
from burnin.journal.bundle import make_bundle, open_bundle
from burnin.journal.embedded import EMPTY_SLOT, SLOT_START, embed_seal, sealed_digest, take_seal
from burnin.journal.keys import create_key, fingerprint
from burnin.journal.seal import Attempt, make_seal, sign_seal
from burnin.journal.verify import verify_bundle, verify_document, verify_journal
from burnin.records import codec

PAGE = b"<!doctype html><title>Acceptance certificate</title><p>accepted" + EMPTY_SLOT + b"<p>end"
RESULT = b'{"standing":"accepted"}'


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return create_key(tmp_path_factory.mktemp("key") / "seal.pem")


@pytest.fixture(scope="module")
def sealed(journal, key):
    attempts = (Attempt(run_id="<script>", standing="rejected \\u003c \\\\u003c <"),)
    files = {"certificate.html": PAGE, "result.json": RESULT}
    return sign_seal(make_seal(io.BytesIO(journal), files=files, attempts=attempts), key)


@pytest.fixture(scope="module")
def certificate(sealed):
    return embed_seal(PAGE, codec.to_json(sealed))


def all_ok(checks):
    return {check.outcome for check in checks} == {"ok"}


def test_a_certificate_is_checked_alone(certificate, sealed, key):
    assert take_seal(certificate) == (PAGE, codec.to_json(sealed))
    assert sealed_digest(certificate) == sealed_digest(PAGE)
    back, checks = verify_document(certificate, known_fingerprint=fingerprint(key.public_hex))
    assert back == sealed
    assert [check.subject for check in checks] == ["seal", "signature", "certificate.html"]
    assert all_ok(checks)
    slot = certificate[certificate.index(SLOT_START) + len(SLOT_START) :].partition(b"</script>")[0]
    assert b"<" not in slot
    assert msgspec.json.decode(slot)["seal"]["attempts"][0]["run_id"] == "<script>"


def test_a_changed_page_is_named(certificate):
    _, checks = verify_document(certificate.replace(b"<p>accepted", b"<p>rejected"))
    assert [(check.subject, check.outcome) for check in checks][2] == ("certificate.html", "changed")


@pytest.mark.parametrize("page", [b"", b"<p>", EMPTY_SLOT * 2, EMPTY_SLOT.replace(b"><", b">x<")])
def test_only_a_page_with_one_empty_slot_is_sealed(page):
    with pytest.raises(ValueError, match="exactly one empty slot"):
        embed_seal(page, b"{}")


@pytest.mark.parametrize(
    "page",
    [b"", PAGE, SLOT_START + b"{}", SLOT_START + b"<b></script>", SLOT_START + b"{}</script>" + EMPTY_SLOT],
)
def test_a_page_without_a_seal_is_never_good(page):
    sealed, checks = verify_document(page)
    assert sealed is None
    assert checks[0].outcome == "changed"
    assert verify_document(PAGE.replace(EMPTY_SLOT, SLOT_START + b"{}</script>"))[0] is None


def test_a_bundle_is_checked_with_everything_in_it(journal, certificate, sealed):
    files = {"journal.jsonl": journal, "seal.json": codec.to_json(sealed)}
    files |= {"certificate.html": certificate, "result.json": RESULT}
    back, checks = verify_bundle(open_bundle(make_bundle(files)))
    assert back == sealed
    assert all_ok(checks)
    assert [check.subject for check in checks] == [
        "seal",
        "signature",
        "journal",
        "certificate.html",
        "result.json",
    ]
    _, checks = verify_bundle(open_bundle(make_bundle(files | {"result.json": b"{}", "plan.toml": b""})))
    changed = [check.subject for check in checks if check.outcome == "changed"]
    assert changed == ["plan.toml", "result.json"]
    assert verify_bundle(open_bundle(make_bundle(files | {"seal.json": b"{}"})))[0] is None


def test_a_thousand_changed_bytes_are_all_found(journal, certificate, sealed, monkeypatch):
    monkeypatch.setattr(
        "burnin.journal.verify.changed_byte", lambda raw, goal: None
    )  # naming the byte is tested apart
    files = {"journal.jsonl": journal, "seal.json": codec.to_json(sealed), "certificate.html": certificate}
    bundle = make_bundle(files | {"result.json": RESULT})
    chance = random.Random(9)
    found = 0
    for number in range(1_000):
        whole = (certificate, bundle, journal)[number % 3]
        changed = bytearray(whole)
        changed[chance.randrange(len(whole))] ^= chance.randrange(1, 256)
        try:
            if number % 3 == 0:
                checks = verify_document(bytes(changed))[1]
            elif number % 3 == 1:
                checks = verify_bundle(open_bundle(bytes(changed)))[1]
            else:
                checks = verify_journal(io.BytesIO(bytes(changed)), sealed.seal)
            found += not all_ok(checks)
        except InputError:
            found += 1
    assert found == 1_000
