from __future__ import annotations

import hashlib
import os

import pytest

from burnin.calc import sha256_known
from burnin.calc.sha256_plain import CONSTANTS, INITIAL, chain_start, digest_of, links_of, pad

# Examples published with FIPS 180-4 (csrc.nist.gov, "SHA-256": one block, two blocks), and the empty message.
EXAMPLES = {
    b"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    b"": "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
}


def test_constants_are_those_printed_in_the_standard():
    assert CONSTANTS[:4] == (0x428A2F98, 0x71374491, 0xB5C0FBCF, 0xE9B5DBA5)
    assert CONSTANTS[-1] == 0xC67178F2
    assert INITIAL[0] == 0x6A09E667
    assert INITIAL[-1] == 0x5BE0CD19


@pytest.mark.parametrize("message", EXAMPLES)
def test_gives_the_published_answers(message):
    assert digest_of(message).hex() == EXAMPLES[message]


@pytest.mark.parametrize("size", [1, 54, 55, 56, 63, 64, 65, 119, 120])
def test_agrees_with_the_library_at_the_edges_of_padding(size):
    message = bytes(range(size))
    assert len(pad(message)) % 64 == 0
    assert digest_of(message) == hashlib.sha256(message).digest()


def test_many_links_at_once_agree_with_the_library():
    starts = os.urandom(32 * 20)
    right = b"".join(hashlib.sha256(starts[32 * k : 32 * k + 32]).digest() for k in range(20))
    assert links_of(starts) == right


@pytest.mark.parametrize("chain", range(0, len(sha256_known.ENDS), 5))
def test_stored_answers_are_those_of_the_library_too(chain):
    link = chain_start(0, chain)
    for _ in range(sha256_known.LINKS):
        link = hashlib.sha256(link).digest()
    assert link.hex() == sha256_known.ENDS[chain]
