"""The seal: what a finished run is, in a few digests, signed or not; and checks that say what was changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, BinaryIO, Final, Literal

import msgspec

from burnin.errors import InputError
from burnin.journal.embedded import sealed_digest
from burnin.journal.keys import SigningKey
from burnin.journal.reader import JournalReader
from burnin.records import codec
from burnin.records.base import Record
from burnin.records.events import FaultFound, RunOpened, Software, Sweep

SEAL_FORMAT: Final = 1
_MARKS: Final = 64
_MARK_DIGITS: Final = 16

Hex32 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
Hex64 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{128}$")]


class Attempt(Record, frozen=True, kw_only=True):
    """An earlier run of the same machine, as far as the maker of the seal knew.

    Attributes:
        run_id: Its id.
        standing: Its verdict, or ``cut off``.
        date: Its date by the machine's clock, as printed.
    """

    run_id: str
    standing: str
    date: str = ""


class Seal(Record, frozen=True, kw_only=True):
    """What a run is.

    Attributes:
        format: Version of the seal.
        run_id: The run.
        wall_ns: The machine's clock at its start; nothing proves that it was right.
        rehearsal: True on a simulated bench.
        lines: Lines of the journal.
        size: Bytes of the journal.
        head_sha256: Hash of the last line, which rests on all before it.
        every: The journal's hash is marked after every so many lines.
        marks: Beginnings of those hashes, so that a forged journal is found out to within ``every`` lines.
        sweeps: Sweeps in it.
        faults: Faults in it.
        plan_sha256: Digest of the plan file.
        software: What tested.
        attempts: Earlier runs of this machine.
        files: Digests of the files that belong to it, by name.
    """

    format: Literal[1]
    run_id: str
    wall_ns: int
    rehearsal: bool = False
    lines: int
    size: int
    head_sha256: Hex32
    every: int
    marks: tuple[str, ...]
    sweeps: int
    faults: int
    plan_sha256: str
    software: Software
    attempts: tuple[Attempt, ...] = ()
    files: dict[str, Hex32] = msgspec.field(default_factory=dict)


class Signature(Record, frozen=True, kw_only=True):
    """Who vouches for a seal.

    Attributes:
        algorithm: Always Ed25519.
        public_key: The key, 32 bytes as hex.
        value: The signature, 64 bytes as hex.
    """

    algorithm: Literal["Ed25519"]
    public_key: Hex32
    value: Hex64


class SealedRun(Record, frozen=True, kw_only=True):
    """A seal with its own digest and, if there is a key, its signature.

    Attributes:
        seal: The seal.
        digest: SHA-256 of the seal's bytes.
        signature: None for an unsigned seal, which shows accidental damage only.
    """

    seal: Seal
    digest: Hex32
    signature: Signature | None = None


@dataclass(kw_only=True)
class Facts:
    """What the lines of a journal told in passing: the first one, and how many sweeps and faults."""

    opened: RunOpened | None = None
    sweeps: int = 0
    faults: int = 0


def make_seal(
    journal: BinaryIO, *, files: Mapping[str, bytes] | None = None, attempts: tuple[Attempt, ...] = ()
) -> Seal:
    """Return the seal of a journal and the files that belong to it.

    Raises:
        InputError: the journal is damaged or empty; such a run is not sealed.
    """
    start = journal.tell()
    reader, _ = read_facts(journal, every=0)
    journal.seek(start)
    every = max(1, -(-reader.head.seq // _MARKS))
    reader, facts = read_facts(journal, every=every)
    if reader.damage is not None or facts.opened is None:
        raise InputError(
            f"journal: {reader.damage or 'found no opening line'}; expected a whole journal",
            slug="seal-damaged",
            hint="Only a whole journal is sealed. Close a run that was cut off with 'burnin recover'.",
        )
    return Seal(
        format=1,
        run_id=facts.opened.run_id,
        wall_ns=facts.opened.anchor.wall_ns,
        rehearsal=facts.opened.rehearsal,
        lines=reader.head.seq,
        size=reader.head.size,
        head_sha256=reader.head.prev,
        every=every,
        marks=tuple(reader.marks),
        sweeps=facts.sweeps,
        faults=facts.faults,
        plan_sha256=facts.opened.plan_sha256,
        software=facts.opened.software,
        attempts=attempts,
        files={name: sealed_digest(data) for name, data in sorted((files or {}).items())},
    )


def sign_seal(seal: Seal, key: SigningKey | None) -> SealedRun:
    """Return the seal with its digest and, given a key, its signature."""
    data = codec.to_json(seal)
    signature = None
    if key is not None:
        signature = Signature(algorithm="Ed25519", public_key=key.public_hex, value=key.sign(data))
    return SealedRun(seal=seal, digest=codec.sha256_hex(data), signature=signature)


class MarkingReader(JournalReader):
    """A reader that also notes the chain's hash after every so many lines."""

    def __init__(self, source: BinaryIO) -> None:
        super().__init__(source)
        self.marks: list[str] = []


def read_facts(journal: BinaryIO, *, every: int) -> tuple[MarkingReader, Facts]:
    """Read a journal to its end or its first bad line; marks are noted after every ``every`` lines, 0 for none."""
    reader, facts = MarkingReader(journal), Facts()
    for line in reader:
        if every and reader.head.seq % every == 0:
            reader.marks.append(reader.head.prev[:_MARK_DIGITS])
        facts.sweeps += isinstance(line.event, Sweep)
        facts.faults += isinstance(line.event, FaultFound)
        if isinstance(line.event, RunOpened):
            facts.opened = line.event
    return reader, facts
