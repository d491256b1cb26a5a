"""The SMBIOS structure table: headers, formatted areas, strings.

Format: DMTF DSP0134 (SMBIOS reference specification 3.x), clause 6.1: each structure is a header (type, length, handle),
a formatted area, and a set of zero-terminated strings that ends with an empty one; numbers are little endian. The table
ends with a structure of type 127.
Seen on: ``/sys/firmware/dmi/tables/DMI``; see ``tests/fixtures/smbios``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from burnin.errors import ParseError

END_OF_TABLE: Final = 127
MOST_STRUCTURES: Final = 4096
"""More than any real table has; keeps a damaged one from costing time."""

_PLACEHOLDERS: Final = frozenset(
    {
        "", "to be filled by o.e.m.", "default string", "not specified", "not provided", "not available", "unknown",
        "none", "n/a", "na", "o.e.m.", "oem", "empty", "no dimm", "[empty]", "system manufacturer", "system product name",
        "system version", "system serial number", "base board serial number", "chassis serial number", "undefined",
        "serial number", "partnum", "sernum", "invalid", "0123456789", "123456789", "00000000", "0x00000000", "0000", "0",
        "type1family", "type1productconfigid", "x.x", "xxxxxxxx", "modulepartnumber", "not settable",
    }
)  # fmt: skip
"""Texts that firmware writes where nobody filled in a value (common practice, no published list)."""


@dataclass(frozen=True, kw_only=True)
class Structure:
    """One structure of the table.

    Attributes:
        kind: Type number.
        handle: Handle other structures refer to it by.
        area: Header and formatted area; offsets are those of the specification.
        strings: Its strings, the first has number 1.
        offset: Where it stands in the table.
    """

    kind: int
    handle: int
    area: bytes
    strings: tuple[str, ...]
    offset: int

    def number(self, offset: int, size: int) -> int | None:
        """Return the unsigned number at ``offset``; None where this structure is too short to have the field."""
        if offset + size > len(self.area):
            return None
        return int.from_bytes(self.area[offset : offset + size], "little")

    def text(self, offset: int) -> str | None:
        """Return the string whose number stands at ``offset``; None for none or a placeholder."""
        index = self.number(offset, 1)
        if not index or index > len(self.strings):
            return None
        return meaningful(self.strings[index - 1])


def meaningful(text: str) -> str | None:
    """Return the text without white space around it; None where it is a placeholder nobody filled in."""
    stripped = " ".join(text.split())
    return None if stripped.casefold() in _PLACEHOLDERS else stripped


def parse_structures(table: bytes) -> tuple[Structure, ...]:
    """Return the structures of a table up to its end marker, or up to the end of the data.

    Raises:
        ParseError: a structure is cut short or has an impossible length; the offset is that of the structure.
    """
    found: list[Structure] = []
    offset = 0
    while offset < len(table):
        if len(found) == MOST_STRUCTURES:
            raise _error(
                "number of structures", f"more than {MOST_STRUCTURES}", f"at most {MOST_STRUCTURES}", offset
            )
        structure, offset = _parse_structure(table, offset)
        found.append(structure)
        if structure.kind == END_OF_TABLE:
            break
    return tuple(found)


def _parse_structure(table: bytes, offset: int) -> tuple[Structure, int]:
    left = len(table) - offset
    if left < 4:
        raise _error("header", f"{left} bytes", "4 bytes", offset)
    length = table[offset + 1]
    if length < 4 or length > left:
        raise _error("length", str(length), f"4 to {left}", offset)
    strings, end = _parse_strings(table, offset, offset + length)
    structure = Structure(
        kind=table[offset],
        handle=int.from_bytes(table[offset + 2 : offset + 4], "little"),
        area=table[offset : offset + length],
        strings=strings,
        offset=offset,
    )
    return structure, end


def _parse_strings(table: bytes, structure: int, start: int) -> tuple[tuple[str, ...], int]:
    end = table.find(b"\0\0", start)
    if end < 0:
        raise _error("strings", "no empty string at their end", "two zero bytes", structure)
    texts = table[start:end].split(b"\0") if end > start else []
    return tuple(text.decode("latin-1") for text in texts), end + 2


def _error(field: str, found: str, expected: str, offset: int) -> ParseError:
    return ParseError("SMBIOS table", field=field, found=found, expected=expected, offset=offset)
