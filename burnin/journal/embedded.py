"""A seal inside the document it seals: the document is digested with its slot empty, so that it can carry the seal."""

from __future__ import annotations

import hashlib
import re
from typing import Final

SLOT_START: Final = b'<script type="application/json" id="run-seal">'
SLOT_END: Final = b"</script>"
EMPTY_SLOT: Final = SLOT_START + SLOT_END
"""What a document must hold exactly once to be sealed."""

_ESCAPED: Final = re.compile(rb"((?<!\\)(?:\\\\)*)\\u003c")


def embed_seal(document: bytes, sealed_json: bytes) -> bytes:
    """Return the document with the sealed run, as JSON, in its slot.

    Raises:
        ValueError: the document does not have exactly one slot, or it is not empty.
    """
    if document.count(SLOT_START) != 1 or EMPTY_SLOT not in document:
        raise ValueError("the document does not have exactly one empty slot for a seal")
    data = sealed_json.replace(b"<", b"\\u003c")  # no tag can begin inside the element
    return document.replace(EMPTY_SLOT, SLOT_START + data + SLOT_END)


def take_seal(document: bytes) -> tuple[bytes, bytes]:
    """Return the document with its slot empty, and the seal's bytes as ``verify_seal`` expects them.

    A document without exactly one slot comes back as it is, with no seal.
    """
    before, start, rest = document.partition(SLOT_START)
    data, end, after = rest.partition(SLOT_END)
    if not start or not end or SLOT_START in rest or b"<" in data:
        return document, b""
    return before + EMPTY_SLOT + after, _ESCAPED.sub(rb"\1<", data)


def sealed_digest(data: bytes) -> str:
    """Return the SHA-256 that a seal names for a file: that of its bytes, with the slot empty where it has one."""
    return hashlib.sha256(take_seal(data)[0]).hexdigest()
