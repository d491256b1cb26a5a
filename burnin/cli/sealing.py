"""Documents of a run sealed: the result put into the page, the seal made from the journal alone, signed or not."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import BinaryIO, Final

import msgspec

from burnin.cli.toml_text import toml_text
from burnin.errors import InputError
from burnin.journal.embedded import embed_seal
from burnin.journal.keys import SigningKey
from burnin.journal.seal import Attempt, make_seal, sign_seal
from burnin.records import codec
from burnin.records.events import RunOpened

CERTIFICATE: Final = "certificate.html"
RESULT: Final = "result.json"
SEAL: Final = "seal.json"

_RESULT_START: Final = b'<script type="application/json" id="run-result">'
_END: Final = b"</script>"
_ESCAPED: Final = re.compile(rb"((?<!\\)(?:\\\\)*)\\u003c")


def papers(opened: RunOpened) -> dict[str, bytes]:
    """Return plan, order, checklist and software of a run as files, by their names in a bundle."""
    made = {"plan.toml": toml_text(opened.plan, without=("name",))}
    if opened.order is not None:
        made["order.toml"] = toml_text(opened.order)
    if opened.checklist is not None:
        made["checklist.toml"] = toml_text(opened.checklist, without=("name",))
    made["software.json"] = codec.to_pretty_json(opened.software)
    return made


def put_result(page: bytes, result: bytes) -> bytes:
    """Return the certificate with the result inside, in compact form, so that it can be judged alone."""
    data = msgspec.json.format(result, indent=-1).replace(b"<", b"\\u003c")
    return page.replace(_RESULT_START + _END, _RESULT_START + data + _END, 1)


def take_result(page: bytes) -> bytes:
    """Return the result inside a certificate as it stands in ``result.json``; empty where there is none."""
    data = page.partition(_RESULT_START)[2].partition(_END)[0]
    try:
        return msgspec.json.format(_ESCAPED.sub(rb"\1<", data), indent=2) + b"\n" if data else b""
    except (msgspec.DecodeError, RecursionError):
        return b""


def seal_run(
    journal: Callable[[], BinaryIO], opened: RunOpened, files: dict[str, bytes], key: SigningKey | None
) -> tuple[bytes, bytes]:
    """Return the certificate with its seal inside, and the seal; both without one for a damaged journal.

    Args:
        journal: Opens the journal.
        opened: Its first line.
        files: Everything the seal is to name, by name; the certificate's place for the seal is empty.
        key: What to sign with, None for an unsigned seal.
    """
    attempts = tuple(
        Attempt(run_id=run.run_id, standing=run.standing, date=run.date) for run in opened.earlier
    )
    page = files[CERTIFICATE]
    try:
        with journal() as stream:
            seal = make_seal(stream, files=files, attempts=attempts)
    except InputError as error:
        if error.slug != "seal-damaged":
            raise
        return page, b""
    data = codec.to_json(sign_seal(seal, key))
    return embed_seal(page, data), data
