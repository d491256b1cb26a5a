"""Data compressed and expanded again, with check sums of both.

Proves: that the table look-ups, comparisons, shifts and branches of a compressor are right: what comes back is what
went in, byte by byte, and its check sums are the known ones.

Does not prove: anything about arithmetic; that the compressed data are the best possible.
"""

from __future__ import annotations

import zlib
from typing import Final

import numpy as np
from numpy.typing import NDArray

from burnin.calc.folding import chain
from burnin.calc.sealed import SealedCopy, SealedRows, compare, reported
from burnin.calc.splitmix import derive, words
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_TEXTS: Final = 4

KNOWN_CRC: Final = (b"123456789", 0xCBF43926)
"""Check value of CRC-32 as catalogued for this polynomial (ISO/IEC 13239, ITU-T V.42); from memory."""

_CLOSELY: Final = 9
"""The check sum of an expanded text is taken once in so many, each text in turn; all are held to the text itself."""

_UNIT_S: Final = 0.03
"""Time of one text of 256 KiB for which a step is sized; the usual core needs less."""

SPEC: Final = LoadSpec(
    title="Compression and expansion",
    proves="Look-ups, comparisons, shifts and branches are right: what went in comes back.",
    does_not_prove="Arithmetic.",
    resource="cpu",
    unit="MB",
    params=(Param(name="kib", default=256, about="Size of a text, KiB.", low=16, high=1024),),
    finest_step_s=0.03,
    compare_digests=True,
)


def _text(seed: int, first: int, count: int) -> NDArray[np.uint64]:
    """Return data with repetitions to find: words of a small vocabulary, as text has them."""
    vocabulary = words(seed, 0, 1024) & np.uint64(0x3F3F3F3F3F3F3F3F) | np.uint64(0x4040404040404040)
    picks = words(seed, first, count)
    return vocabulary[(picks & (picks >> np.uint64(10)) & np.uint64(1023)).astype(np.intp)]


class _Session:
    """An opened load.

    Args:
        count: Bytes of a text.
        units: Texts of one step.
        seed: Seed of the texts.
        first: Number of the first step.
    """

    def __init__(self, *, count: int, units: int, seed: int, first: int) -> None:
        self._step, self._units, width = first, units, count // 8
        self._pending: list[Fault] = []
        if zlib.crc32(KNOWN_CRC[0]) != KNOWN_CRC[1]:
            found = f"0x{zlib.crc32(KNOWN_CRC[0]):08x}"
            self._pending = [self._fault({"at": "known answer", "found": found})]
        self._texts = SealedRows(
            "texts",
            np.empty((_TEXTS, width), dtype=np.uint64),
            lambda row: _text(derive(seed, row), 1024, width),
        )
        packs = [self._packed_marks(zlib.compress(memoryview(row), 6)) for row in self._texts.rows]
        crcs = [zlib.crc32(memoryview(row)) for row in self._texts.rows]
        marks = [(crc, *packed) for crc, packed in zip(crcs, packs, strict=True)]
        self._marks = SealedCopy("check sums", np.array(marks, dtype=np.uint64))

    @property
    def notes(self) -> dict[str, Scalar]:
        """Sizes and the library."""
        texts = self._texts.rows
        return {
            "text_bytes": int(texts.shape[1] * 8),
            "texts": _TEXTS,
            "share_after_compression": round(
                float(self._marks.values[:, 1].mean()) / (texts.shape[1] * 8), 3
            ),
            "library": f"zlib {zlib.ZLIB_RUNTIME_VERSION}",
        }

    def step(self) -> StepResult:
        """Compress texts, expand them and check both ways."""
        turn, row = divmod(self._step, _TEXTS)
        faults = self._pending + self._mend(row, row + 1, turn=turn)  # either half shows any one changed word
        self._pending, marks = [], list[int]()
        for unit in range(self._step * self._units, (self._step + 1) * self._units):
            found, packed_marks = self._round(unit)
            faults += found
            marks += packed_marks
        self._step += 1
        amount = self._units * self._texts.rows.shape[1] * 8 / 1e6
        return StepResult(amount=amount, digest=chain(*marks), faults=tuple(faults[:16]))

    def finish(self) -> StepResult:
        """Check texts and references once more."""
        faults, self._pending = self._pending + self._mend(0, _TEXTS), []
        return StepResult(amount=0.0, faults=tuple(faults[:16]))

    def close(self) -> None:
        """Give the memory back."""
        self._texts.rows = np.empty((0, 1), dtype=np.uint64)

    @staticmethod
    def _packed_marks(packed: bytes) -> tuple[int, int]:
        return len(packed), zlib.crc32(packed)

    def _round(self, unit: int) -> tuple[list[Fault], tuple[int, int]]:
        """Compress a text and check it; nothing of it is kept, so that the next one finds the same memory free."""
        packed = zlib.compress(memoryview(self._texts.rows[unit % _TEXTS]), 6)
        packed_marks = self._packed_marks(packed)
        return self._check(unit, packed, packed_marks), packed_marks

    def _check(self, unit: int, packed: bytes, packed_marks: tuple[int, int]) -> list[Fault]:
        """Expand and compare; when that is wrong, operands first, as they explain the rest.

        A text changed before it was compressed shows in the compressed check sum, a later change in the comparison.
        """
        row = unit % _TEXTS
        text = self._texts.rows[row]
        try:
            back = zlib.decompress(packed, bufsize=text.nbytes)
        except zlib.error as error:
            return self._mend(row, row + 1) or [self._fault({"at": "expansion", "found": str(error)})]
        same = len(back) == text.nbytes and bool((text == np.frombuffer(back, dtype=np.uint64)).all())
        known = self._marks.values[row].tolist()
        found = [zlib.crc32(back) if unit % _CLOSELY == 0 or not same else known[0], *packed_marks]
        if same and found == known:
            return []
        changed = self._mend(row, row + 1)
        if changed:
            return changed
        faults: list[Fault] = [] if same else self._different(text, back)
        for name, right, got in zip(
            ("crc of the text", "size when compressed", "crc when compressed"), known, found, strict=True
        ):
            if right != got:
                faults.append(self._fault({"at": name, "expected": f"0x{right:x}", "found": f"0x{got:x}"}))
        return faults

    def _different(self, text: NDArray[np.uint64], back: bytes) -> list[Fault]:
        """Name the words that came back otherwise."""
        if len(back) != text.nbytes:
            return [self._fault({"at": "length", "expected": text.nbytes, "found": len(back)})]
        changes = compare("expanded text", text, np.frombuffer(back, dtype=np.uint64))
        return [self._fault({"at": "expanded text", **values}) for values in reported(changes)]

    def _mend(self, first: int, stop: int, *, turn: int | None = None) -> list[Fault]:
        changes = self._texts.mend(first, stop, turn=turn) + self._marks.mend()
        return [Fault(kind="memory_word", step=self._step, values=values) for values in reported(changes)]

    def _fault(self, values: dict[str, Scalar]) -> Fault:
        return Fault(kind="wrong_result", step=self._step, values=values)


class _Compression:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Make the texts and compress each once."""
        count = int(params.get("kib", 256)) << 10
        units = max(1, int(context.step_budget_s / (_UNIT_S * count / 262144)))
        return _Session(count=count, units=units, seed=derive(context.seed, 6), first=context.first_step)


PLUGIN = _Compression()
