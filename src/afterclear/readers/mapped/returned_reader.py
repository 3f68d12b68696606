"""Recognises the program's own workbooks of refused rows, by the names of their sheets.

One sheet of it that was saved as CSV is recognised by its first headings.
"""

import re
import zipfile
from collections.abc import Sequence
from contextlib import suppress
from typing import Final

from afterclear.readers.formats.workbook import DAMAGED, is_workbook
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.reader import MAP_PREFIX, RETURNED
from afterclear.records import Delivery, ReadFile

ORIGIN: Final = "origin of the rows"
SHEET: Final = "refused rows {}"
NUMBER: Final = "refused row"
REASON: Final = "why it was refused"
_OWN_SHEETS: Final = re.compile(r"origin of the rows|refused rows \d+")
# where the names of sheets stand: ISO/IEC 29500-1 18.2.19 (xlsx), OpenDocument 1.3 part 3, 9.1.2
_NAMES: Final = {
    "xl/workbook.xml": re.compile(rb'<(?:\w+:)?sheet\b[^>]*?\bname="([^"]*)"'),
    "content.xml": re.compile(rb'<(?:\w+:)?table\b[^>]*?\btable:name="([^"]*)"'),
}
_HEAD: Final = 1 << 20  # bytes in which the first of them stands
_SIGN: Final = 100  # first bytes, by which it is known
# one sheet, saved as text by a program of sheets; the mark between its cells
AS_TEXT: Final = re.compile(rf"\ufeff?\"?{NUMBER}\"?([,;\t])\"?{REASON}\"?\1")


class ReturnedRowsReader:
    """Reads refused rows that come back mended."""

    name = RETURNED

    def __init__(self, maps: Sequence[ImportMap]) -> None:
        self._maps = {f"{MAP_PREFIX}{each.name}": each for each in maps}

    def identify(self, delivery: Delivery) -> bool:
        """Whether its sheets are called as the program calls them."""
        with delivery.path.open("rb") as file:
            head = file.read(_SIGN)
        if not is_workbook(head, delivery.path):
            return AS_TEXT.match(head.decode("utf-8", "replace")) is not None
        with suppress(StopIteration, RuntimeError, *DAMAGED):
            with zipfile.ZipFile(delivery.path) as packed:
                part = next(name for name in _NAMES if name in packed.namelist())
                with packed.open(part) as file:
                    names = _NAMES[part].findall(file.read(_HEAD))
            return any(_OWN_SHEETS.fullmatch(name.decode("utf-8", "replace")) for name in names)
        return False

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the rows that came back into the plain layout.

        Raises:
            RefusedFileError: the sheet of origins or a column is gone, or a map.

        """
        # loaded with the first such file: recognising a file does not need it
        from afterclear.readers.mapped.returned_rows import read_returned  # noqa: PLC0415

        return read_returned(self._maps, delivery)
