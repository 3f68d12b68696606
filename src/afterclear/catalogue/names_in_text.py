"""A vehicle's names, found wherever they are written. Pure.

A VIN or plate is the same however it is spelled: without case, and with blanks, dashes, dots or
slashes between its letters or without.  A vehicle's number is the user's own word: it is searched
for as a whole cell, and in running text only if it cannot occur there by chance.
"""

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

# A shorter name may occur by chance in text that is not about the vehicle.
SHORTEST_IN_TEXT: Final = 4
ERASED: Final = "(erased)"
BETWEEN: Final = b" _./:-"  # what may stand between the letters of one name, at most two
_WIDE: Final = ((b"\xc2\xa0", b"  "), (b"\xc2\xb7", b"  "))  # no-break space and middle dot, UTF-8


def plain_id(text: str) -> str:
    """Write a number, VIN or plate as it is compared: without case, blanks and dashes."""
    return "".join(letter for letter in text if letter.isalnum()).upper()


# Distinguishing signs of vehicles in international traffic (Convention on Road Traffic, Vienna
# 1968, annex 3, and the list the United Nations keep of them): countries of the languages served
# and their neighbours.
_SIGNS = "A B BG BY CH CZ D DK E EST F FIN GB H HR I IRL L LT LV MD N NL P PL RO S SK SLO UA UK"
# A hyphen belongs to the plate (A-NH 101 is of Augsburg), but for D, the sign of the sender's land.
_SIGNED = re.compile(
    rf"^\s*(?:(?:{'|'.join(_SIGNS.split())})[\s/:]+|D\s*-\s*)(?=\w)", re.IGNORECASE
)


def without_country(plate: str) -> str:
    """Write a plate as it is compared, without the sign of a country before it.

    >>> without_country("PL WX 12345"), without_country("NH-AB 101")
    ('WX12345', 'NHAB101')
    """
    return plain_id(_SIGNED.sub("", plate, count=1))


def is_distinct(number: str) -> bool:
    """Whether a vehicle's number is no word and no figure with another meaning."""
    plain = plain_id(number)
    letters = any(letter.isalpha() for letter in plain)
    return len(plain) >= SHORTEST_IN_TEXT and letters and any(x.isdigit() for x in plain)


@dataclass(frozen=True)
class Called:
    """All names of a vehicle, or of several."""

    numbers: frozenset[str]  # as written
    identifiers: frozenset[str]  # VINs and plates of no other vehicle, as ``plain_id`` writes them

    def is_number(self, cell: object) -> bool:
        """Whether a cell is the vehicle's number."""
        return isinstance(cell, str) and cell.strip() in self.numbers

    def is_identifier(self, cell: object) -> bool:
        """Whether a cell is its VIN or plate."""
        return (
            isinstance(cell, str) and bool(self.identifiers) and plain_id(cell) in self.identifiers
        )

    def is_cell(self, cell: object) -> bool:
        """Whether a cell is one of the names."""
        return self.is_number(cell) or self.is_identifier(cell)

    def are_in(self, cells: Iterable[object]) -> bool:
        """Whether a row has one of the names as a cell, or in one."""
        return any(self.is_cell(c) or (isinstance(c, str) and self.stand_in(c)) for c in cells)

    def stand_in(self, text: str) -> bool:
        """Whether running text has one of the names, however it is spelled."""
        if self._sought is None:
            return False
        squeezed = as_bytes(text).translate(None, BETWEEN)
        return any(name in squeezed for name in self._squeezed) and bool(self._sought.search(text))

    def are_words_of(self, text: str) -> bool:
        """Whether a file's name or a note has one of the names as a word, however short."""
        return self.stand_in(text) or any(
            re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", text, re.IGNORECASE)
            for name in self.numbers
        )

    def owns(self, row_json: str | None) -> bool:
        """Whether a refused row, JSON or as it stood in its file, is about the vehicle."""
        try:
            row = json.loads(row_json or "{}")
        except ValueError:
            row = dict(enumerate((row_json or "").split(",")))
        if not isinstance(row, dict):
            return self.stand_in(row_json or "")
        # under other headings the vehicle's own cell is not known
        own = [row["vehicle_id"]] if "vehicle_id" in row else list(row.values())
        return any(map(self.is_number, own)) or self.are_in(
            cell for cell in row.values() if not self.is_number(cell)
        )

    def words_erased_from(self, text: str) -> str:
        """Write a text of our own without the names, short numbers that have a letter too."""
        for number in sorted(self.numbers):
            if any(letter.isalpha() for letter in number):
                whole = rf"(?<![^\W_]){re.escape(number)}(?![^\W_])"
                text = re.sub(whole, ERASED, text, flags=re.IGNORECASE)
        return self.erased_from(text)

    def erased_from(self, text: str) -> str:
        """Write a text without the names."""
        return self._sought.sub(ERASED, text) if self._sought is not None else text

    @property
    def sought(self) -> list[str]:
        """The names searched for in running text, without the separators."""
        return sorted(self._names)

    @property
    def pattern(self) -> str:
        """A regular expression that finds the names, without the characters around them."""
        return "|".join(_spelled(name) for name in sorted(self._names, key=lambda n: (-len(n), n)))

    @cached_property
    def _names(self) -> frozenset[str]:
        distinct = {plain_id(number) for number in self.numbers if is_distinct(number)}
        return frozenset(distinct | {m for m in self.identifiers if len(m) >= SHORTEST_IN_TEXT})

    @cached_property
    def _squeezed(self) -> tuple[bytes, ...]:
        return tuple(name.encode() for name in self._names)

    @cached_property
    def _sought(self) -> re.Pattern[str] | None:
        if not self._names:
            return None
        return re.compile(rf"(?<![^\W_])(?:{self.pattern})(?![^\W_])", re.IGNORECASE)


def as_bytes(text: str) -> bytes:
    """Write a text so that spellings of a name differ only by bytes of ``BETWEEN``."""
    raw = text.upper().encode("utf-8", errors="replace")
    for wide, blanks in _WIDE:
        raw = raw.replace(wide, blanks)
    return raw


def _spelled(name: str) -> str:
    return r"[ \u00a0\u00b7_./:-]{0,2}".join(re.escape(letter) for letter in name)
