"""Recognises the program's own workbooks of refused rows, by the names of their sheets."""

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
_OWN_SHEETS: Final = re.compile(r"origin of the rows|refused rows \d+")
_NAMES: Final = re.compile(rb'<(?:\w+:)?sheet\b[^>]*?\bname="([^"]*)"')
_HEAD: Final = 1 << 20  # bytes of the list of sheets
_SIGN: Final = 8  # first bytes, by which a workbook is known


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
            return False
        with suppress(KeyError, RuntimeError, *DAMAGED):
            with zipfile.ZipFile(delivery.path) as packed, packed.open("xl/workbook.xml") as file:
                names = _NAMES.findall(file.read(_HEAD))
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
