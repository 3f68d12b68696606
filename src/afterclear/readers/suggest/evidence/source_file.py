"""A file a map is suggested for: opened once, however often it is looked at.

A suggestion looks for the table, tries what an answer would change, and goes through the file again
for what the map leaves over. To unpack a workbook or a PDF takes most of that time.
"""

import sys
from dataclasses import dataclass
from functools import cached_property
from typing import Final

from afterclear.readers.formats.printed_pages import Page, is_pdf, pages_of
from afterclear.readers.formats.workbook import Sheet, is_workbook, read_sheets
from afterclear.readers.suggest.columns.numbers import OWN_DECIMAL
from afterclear.readers.suggest.evidence.table_seen import LOOKED_AT
from afterclear.readers.text.text_of_bytes import Text, decoded
from afterclear.records import Delivery

_MOST_PAGES: Final = 50


@dataclass
class SourceFile:
    """A delivery with its content, in the form in which it is looked at."""

    delivery: Delivery

    @property
    def name(self) -> str:
        """The delivery's name, for messages."""
        return self.delivery.name

    @cached_property
    def raw(self) -> bytes:
        """Its bytes."""
        return self.delivery.path.read_bytes()

    @cached_property
    def is_workbook(self) -> bool:
        """Whether it has sheets."""
        return is_workbook(self.raw[:8], self.delivery.path)

    @cached_property
    def is_pdf(self) -> bool:
        """Whether it has pages."""
        return is_pdf(self.delivery.path)

    @cached_property
    def sheets(self) -> list[Sheet]:
        """The first rows of each sheet; decimals of numbers have a mark of their own.

        Raises:
            RefusedFileError: it is damaged, or too large unpacked.

        """
        return read_sheets(self.raw, self.name, decimal=OWN_DECIMAL, first_rows=LOOKED_AT)

    @cached_property
    def pages(self) -> list[Page]:
        """The first pages.

        Raises:
            RefusedFileError: it cannot be read, and why.

        """
        return pages_of(self.delivery.path, self.name, sys.maxsize, first_pages=_MOST_PAGES)

    @cached_property
    def text(self) -> Text:
        """Its text, in the encoding that is found.

        Raises:
            RefusedFileError: it is no text, or two encodings are possible.

        """
        return decoded(self.raw, "detect", self.name)
