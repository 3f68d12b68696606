"""The reader for an import map: recognises the map's files. One reader for each map."""

import sys
from collections.abc import Sequence
from fnmatch import fnmatchcase
from pathlib import PurePosixPath
from re import search

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.formats.printed_pages import is_pdf, pages_of
from afterclear.readers.formats.workbook import is_workbook, read_sheets
from afterclear.readers.limits import USUAL
from afterclear.readers.maps.checked_map import BrokenMap, ImportMap
from afterclear.readers.reader import MAP_PREFIX
from afterclear.readers.text.text_of_bytes import head_text
from afterclear.records import Delivery, ReadFile

HEAD_BYTES = 1 << 16
HEAD_ROWS = 30
HEAD_PAGES = 2
_PRINTED = ("pdf", "text")  # kinds of map that a PDF may have


class MapReader:
    """Reads the files one import map is for."""

    def __init__(self, import_map: ImportMap, max_pages: int = USUAL.pages) -> None:
        self.map = import_map
        self.max_pages = max_pages
        self.name = f"{MAP_PREFIX}{import_map.name}"

    def identify(self, delivery: Delivery) -> bool:
        """Whether it is the map's file, by its name, its kind and the map's content test."""
        if not _is_named(delivery, self.map.files):
            return False
        with delivery.path.open("rb") as file:
            head = file.read(HEAD_BYTES)
        if (self.map.kind == "workbook") != is_workbook(head, delivery.path):
            return False
        if is_pdf(delivery.path) and self.map.kind not in _PRINTED:
            return False
        if self.map.kind == "pdf" and not is_pdf(delivery.path):
            return False
        if not self.map.contains:
            return True
        text = _looked_at(self.map, delivery, head)
        return all(search(pattern, text) for pattern in self.map.contains)

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the file into the plain layout.

        Raises:
            RefusedFileError: its tables, headings or encoding are not what the map says.

        """
        # loaded with the first such file: recognising a file does not need it
        from afterclear.readers.mapped.map_tables import read_by_map  # noqa: PLC0415

        return read_by_map(self.map, delivery, self.max_pages)


class BrokenMapReader:
    """Refuses the files a wrong map names, with every mistake of the map."""

    def __init__(self, broken: BrokenMap) -> None:
        self.broken = broken
        self.name = f"{MAP_PREFIX}{broken.name}"

    def identify(self, delivery: Delivery) -> bool:
        """Whether it is the map's file, by its name."""
        return _is_named(delivery, self.broken.files)

    def read(self, delivery: Delivery) -> ReadFile:
        """Refuse the file.

        Raises:
            RefusedFileError: always; what is wrong with the map, and what to do.

        """
        raise RefusedFileError(
            worded(
                "{name} waits for its map to be mended: {problems}. Then 'afterclear replay' reads "
                "it again.",
                name=delivery.name,
                problems="; ".join(self.broken.problems),
            )
        )


def _is_named(delivery: Delivery, patterns: Sequence[str]) -> bool:
    name = PurePosixPath(delivery.name.replace("\\", "/")).name.lower()
    return any(fnmatchcase(name, pattern.lower()) for pattern in patterns)


def _looked_at(how: ImportMap, delivery: Delivery, head: bytes) -> str:
    if is_pdf(delivery.path):
        return _first_pages(delivery)
    if how.kind != "workbook":
        return head_text(head)
    try:
        sheets = read_sheets(delivery.path.read_bytes(), delivery.name, first_rows=HEAD_ROWS)
    except RefusedFileError:
        return ""  # whether it is this map's file cannot be told
    return "\n".join(" ".join(filter(None, cells)) for s in sheets for _, cells in s.grid)


def _first_pages(delivery: Delivery) -> str:
    try:
        pages = pages_of(delivery.path, delivery.name, sys.maxsize, first_pages=HEAD_PAGES)
        return printed_text(pages)
    except RefusedFileError:
        return ""  # whether it is this map's file cannot be told
