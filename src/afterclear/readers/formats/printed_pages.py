"""Printed pages as words with their places: the form in which tables are found in a PDF."""

from dataclasses import dataclass
from pathlib import Path

_SIGN = b"%PDF-"  # ISO 32000-1 7.5.2


@dataclass(frozen=True, slots=True)
class Word:
    """Letters without a blank: from ``left`` to ``right`` on a ``base`` line, ``size`` high."""

    left: float
    right: float
    base: float
    size: float
    text: str


@dataclass(frozen=True, slots=True)
class Rule:
    """A horizontal line, or an edge of a box."""

    left: float
    right: float
    at: float


@dataclass(frozen=True, slots=True)
class Page:
    """One page.  ``is_picture``: it shows a picture and no text that could be read."""

    number: int  # from 1
    words: tuple[Word, ...]
    rules: tuple[Rule, ...]
    is_picture: bool


def is_pdf(path: Path) -> bool:
    """Whether it is a PDF, by the first bytes alone."""
    with path.open("rb") as file:
        return file.read(len(_SIGN)) == _SIGN


def pages_of(path: Path, name: str, max_pages: int, first_pages: int | None = None) -> list[Page]:
    """Read a PDF; ``first_pages``: no more than so many.

    Raises:
        RefusedFileError: it cannot be read, and why.

    """
    # imported late: its library is native code, and most deliveries are no PDF
    from afterclear.readers.formats.pdf_pages import read_pages  # noqa: PLC0415

    return read_pages(path.read_bytes(), name, max_pages, first_pages)
