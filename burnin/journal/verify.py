"""Checks against a seal: what is unchanged, what is not, where, and what a check cannot say."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import BinaryIO, Literal

import msgspec

from burnin.errors import Problem
from burnin.journal.bundle import Bundle
from burnin.journal.differences import changed_byte, field_at, json_differences
from burnin.journal.embedded import sealed_digest, take_seal
from burnin.journal.frame import LONGEST_LINE
from burnin.journal.keys import fingerprint, signature_is_good
from burnin.journal.reader import Damage
from burnin.journal.seal import Facts, MarkingReader, Seal, SealedRun, read_facts
from burnin.records import codec

Outcome = Literal["ok", "changed", "unknown_key", "not_checked"]


@dataclass(frozen=True, kw_only=True)
class Check:
    """One thing checked.

    Attributes:
        subject: What: ``seal``, ``signature``, ``journal`` or a file's name.
        outcome: ``ok``, ``changed``, ``unknown_key`` (signed, but not with the key asked for), or ``not_checked``.
        place: Where it was changed (line and field, or key path); empty for all of it.
        found: What stands there.
        expected: What stood there.
        note: What people should know about this outcome.
    """

    subject: str
    outcome: Outcome
    place: str = ""
    found: str = ""
    expected: str = ""
    note: str = ""


def verify_seal(data: bytes, *, known_fingerprint: str = "") -> tuple[SealedRun | None, tuple[Check, ...]]:
    """Return the seal in ``data`` and what checking it alone showed.

    Args:
        data: A sealed run as JSON, byte for byte as written.
        known_fingerprint: Fingerprint of the workshop's key as obtained elsewhere; empty for none.
    """
    try:
        sealed = codec.from_json(data, SealedRun)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        return None, (Check(subject="seal", outcome="changed", found=str(error), expected="a seal"),)
    checks = [*_check_form(sealed, data), _check_signature(sealed, known_fingerprint)]
    return sealed, tuple(checks)


def verify_journal(journal: BinaryIO, seal: Seal) -> tuple[Check, ...]:
    """Return what comparing a journal with its seal showed; a change is named by line and field."""
    start = journal.tell()
    reader, facts = read_facts(journal, every=max(1, seal.every))
    if reader.damage is not None:
        journal.seek(start + reader.damage.offset)
        raw, after = journal.readline(LONGEST_LINE), journal.readline(LONGEST_LINE)
        return (_explain_damage(reader.damage, raw, after, seal),)
    found = _seal_fields(reader, facts)
    expected = {name: getattr(seal, name) for name in found}
    problems = json_differences(codec.to_json(found), codec.to_json(expected))
    return tuple(_changed("journal", _with_lines(problem, seal)) for problem in problems) or (
        Check(subject="journal", outcome="ok"),
    )


def verify_files(files: Mapping[str, bytes], seal: Seal) -> tuple[Check, ...]:
    """Return, for each file the seal names and each given, whether it is the one sealed."""
    checks = []
    for name in sorted(files.keys() | seal.files.keys()):
        expected = seal.files.get(name, "no such file")
        found = sealed_digest(files[name]) if name in files else "no such file"
        outcome: Outcome = "ok" if found == expected else "changed"
        text = ("", "") if outcome == "ok" else (found, expected)
        checks.append(Check(subject=name, outcome=outcome, found=text[0], expected=text[1]))
    return tuple(checks)


def verify_document(
    document: bytes, *, name: str = "certificate.html", known_fingerprint: str = ""
) -> tuple[SealedRun | None, tuple[Check, ...]]:
    """Return the seal inside a certificate and what checking the two showed; the journal is not needed.

    Args:
        document: The certificate's bytes.
        name: The name under which the seal knows it.
        known_fingerprint: Fingerprint of the workshop's key as obtained elsewhere; empty for none.
    """
    _, data = take_seal(document)
    if not data:
        return None, (
            Check(subject="seal", outcome="changed", found="no seal", expected="a seal in its place"),
        )
    sealed, checks = verify_seal(data, known_fingerprint=known_fingerprint)
    if sealed is None:
        return None, checks
    own = tuple(check for check in verify_files({name: document}, sealed.seal) if check.subject == name)
    return sealed, (*checks, *own)


def verify_bundle(
    bundle: Bundle, *, known_fingerprint: str = ""
) -> tuple[SealedRun | None, tuple[Check, ...]]:
    """Return the seal of a bundle and what checking everything in it showed.

    Raises:
        InputError: a member cannot be unpacked.
    """
    sealed, checks = verify_seal(bundle.read("seal.json"), known_fingerprint=known_fingerprint)
    if sealed is None:
        return None, checks
    journal = verify_journal(io.BytesIO(bundle.read("journal.jsonl")), sealed.seal)
    return sealed, (*checks, *journal, *verify_files(bundle.files(), sealed.seal))


def _seal_fields(reader: MarkingReader, facts: Facts) -> dict[str, object]:
    opened = facts.opened
    return {
        "marks": reader.marks,
        "lines": reader.head.seq,
        "size": reader.head.size,
        "head_sha256": reader.head.prev,
        "sweeps": facts.sweeps,
        "faults": facts.faults,
        "run_id": opened.run_id if opened else None,
        "wall_ns": opened.anchor.wall_ns if opened else None,
        "rehearsal": opened.rehearsal if opened else None,
        "plan_sha256": opened.plan_sha256 if opened else None,
        "software": opened.software if opened else None,
    }


def _with_lines(problem: Problem, seal: Seal) -> Problem:
    """Say of a mark which lines it stands for."""
    if not problem.place.startswith("marks["):
        return problem
    index = int(problem.place[len("marks[") : -1])
    place = f"lines {index * seal.every + 1} to {(index + 1) * seal.every}, hash"
    return _moved(problem, place)


def _moved(problem: Problem, place: str) -> Problem:
    return Problem(place=place, found=problem.found, expected=problem.expected)


def _explain_damage(damage: Damage, raw: bytes, after: bytes, seal: Seal) -> Check:
    """Name the very byte where one was changed, as far as the next line or the seal tell how the line was."""
    bad, line = damage.bad, raw.rstrip(b"\n")
    text = f"line {damage.number}, {bad.field}"
    goal = seal.head_sha256 if damage.number == seal.lines else _prev_of(after)
    byte = changed_byte(line, goal) if goal else None
    if byte is None:
        return Check(subject="journal", outcome="changed", place=text, found=bad.found, expected=bad.expected)
    offset, value = byte
    original = line[:offset] + bytes((value,)) + line[offset + 1 :]
    field = field_at(original, offset)
    problems = json_differences(line, original)
    if len(problems) == 1 and problems[0].place != "document":
        place = f"line {damage.number}, {problems[0].place}"
        return _changed("journal", _moved(problems[0], place))
    return Check(
        subject="journal",
        outcome="changed",
        place=f"line {damage.number}, {field}, byte {offset + 1}",
        found=repr(chr(line[offset])),
        expected=repr(chr(value)),
    )


def _prev_of(after: bytes) -> str:
    mark = b'"prev":"'
    start = after.find(mark) + len(mark)
    digits = after[start : start + 64].decode("ascii", "replace")
    good = start >= len(mark) and len(digits) == 64 and all(digit in "0123456789abcdef" for digit in digits)
    return digits if good else ""


def _check_form(sealed: SealedRun, data: bytes) -> list[Check]:
    checks = []
    if codec.to_json(sealed) != data:
        note = "The seal was written differently: white space, order or an escape was changed."
        checks.append(Check(subject="seal", outcome="changed", place="form", note=note))
    digest = codec.sha256_hex(codec.to_json(sealed.seal))
    if digest != sealed.digest:
        checks.append(
            Check(subject="seal", outcome="changed", place="digest", found=digest, expected=sealed.digest)
        )
    return checks or [Check(subject="seal", outcome="ok")]


def _check_signature(sealed: SealedRun, known_fingerprint: str) -> Check:
    signature = sealed.signature
    if signature is None:
        note = "The seal is not signed: it shows accidental damage only."
        outcome: Outcome = "unknown_key" if known_fingerprint else "not_checked"
        return Check(subject="signature", outcome=outcome, expected=known_fingerprint, note=note)
    good = signature_is_good(signature.public_key, signature.value, codec.to_json(sealed.seal))
    if good is None:
        note = "Signature not checked: the library 'cryptography' is not installed."
        return Check(subject="signature", outcome="not_checked", note=note)
    if not good:
        note = "The signature does not fit the seal."
        return Check(subject="signature", outcome="changed", place="signature", note=note)
    shown = fingerprint(signature.public_key)
    if not known_fingerprint:
        note = f"Signed with the key {shown}; compare it with one obtained from the workshop itself."
        return Check(subject="signature", outcome="ok", found=shown, note=note)
    if _bare(known_fingerprint) != _bare(shown):
        note = "Signed, but with an unknown key."
        return Check(
            subject="signature", outcome="unknown_key", found=shown, expected=known_fingerprint, note=note
        )
    return Check(subject="signature", outcome="ok", found=shown, note="Signed with the key asked for.")


def _bare(text: str) -> str:
    return "".join(text.split()).lower()


def _changed(subject: str, problem: Problem) -> Check:
    return Check(
        subject=subject,
        outcome="changed",
        place=problem.place,
        found=problem.found,
        expected=problem.expected,
    )
