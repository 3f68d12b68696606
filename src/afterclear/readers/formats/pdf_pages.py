"""Pages of a PDF as words with their places, read by pdfium; their meaning is not known here.

Only text that a person would see is taken: what is hidden, turned or off the page is passed over,
and so is the text that a program recognised beneath a scanned picture, because nobody can see its
errors.  Coordinates are points (1/72 inch) from the lower left, as ISO 32000-1 8.3 has them, turned
as the page is shown.
"""

import ctypes
import math
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass

import pypdfium2 as pdfium
from pypdfium2 import raw as api

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.formats.printed_pages import Page, Rule, Word

MAX_LETTERS = 200_000  # of one page; small print on A3 holds some 30,000
MAX_SHAPES = 50_000  # lines and boxes of one page
_HIDDEN = frozenset({api.FPDF_TEXTRENDERMODE_INVISIBLE, api.FPDF_TEXTRENDERMODE_CLIP})
_HYPHEN = 2  # what pdfium gives for a hyphen at the end of a line
_LOST = "\ufffd"
_MOST_LOST = 0.05  # of all letters; a few signs of a logo may have no text
# Own judgement, in heights of the letters: further apart they are of two words, of two lines.
_WORD_GAP, _LINE_GAP = 0.25, 0.35
_TURNED = 0.05  # radians
_THIN = 3.0  # points: a box less high is a line


def read_pages(
    raw: bytes, where: str, max_pages: int, first_pages: int | None = None
) -> list[Page]:
    """Read the pages; ``first_pages``: no more than so many.

    Raises:
        RefusedFileError: it is damaged, protected by a password, has too many pages, no text, or
            text that means nothing.

    """
    try:
        with pdfium.PdfDocument(raw) as document:
            n_pages = len(document)
            if n_pages > max_pages:
                raise RefusedFileError(
                    worded(
                        "{where} has {n_pages:,} pages; at most {max_pages:,} are read. "
                        "Deliver it in parts, or allow more as limits.reader_pages.",
                        where=where,
                        n_pages=n_pages,
                        max_pages=max_pages,
                    )
                )
            lost: Counter[bool] = Counter()
            pages = [
                _page(document[at], at + 1, where, lost)
                for at in range(min(n_pages, first_pages or n_pages))
            ]
    except pdfium.PdfiumError as error:
        raise RefusedFileError(_why_closed(error, where)) from error
    if not any(page.words for page in pages):
        is_scanned = any(page.is_picture for page in pages)
        raise RefusedFileError(_scanned(where) if is_scanned else f"{where} has no text in it.")
    if lost[True] > _MOST_LOST * lost.total():
        raise RefusedFileError(
            worded(
                "{where} does not say which letters its signs are. Ask for the data behind it, or "
                "for a PDF whose text can be copied.",
                where=where,
            )
        )
    return pages


def _why_closed(error: pdfium.PdfiumError, where: str) -> str:
    if error.err_code == api.FPDF_ERR_PASSWORD:
        return (
            f"{where} is protected by a password. Open it with the password, print or save it "
            "without one, and deliver that."
        )
    if error.err_code == api.FPDF_ERR_SECURITY:
        return f"{where} is protected in a way that is not known. Save it without protection."
    return f"{where} is a damaged PDF: it cannot be opened. Have it sent again."


def _scanned(where: str) -> str:
    return (
        f"{where} is scanned: its pages are pictures without text (text that a program recognised "
        "in them is not taken: an O for a 0 would go unseen). Ask for the file that was printed, "
        "or for the data behind it."
    )


def _page(page: pdfium.PdfPage, number: int, where: str, lost: Counter[bool]) -> Page:
    turn = page.get_rotation()
    with closing(page.get_textpage()) as text:
        n_letters = text.count_chars()
        if n_letters > MAX_LETTERS:
            raise RefusedFileError(
                worded(
                    "{where}, page {number} has {n_letters:,} letters; at most "
                    "{max_letters:,} of one page are read.",
                    where=where,
                    number=number,
                    n_letters=n_letters,
                    max_letters=MAX_LETTERS,
                )
            )
        words = tuple(_words(text, n_letters, turn, page.get_bbox(), lost))
    has_pictures = not words and any(page.get_objects([api.FPDF_PAGEOBJ_IMAGE], max_depth=4))
    rules = tuple(_rules(page, turn)) if words else ()
    return Page(number, words, rules, has_pictures)


@dataclass(slots=True)
class _Letter:
    left: float
    right: float
    base: float
    size: float
    sign: str


def _words(
    page: pdfium.PdfTextPage,
    n_letters: int,
    turn: int,
    box: tuple[float, float, float, float],
    lost: Counter[bool],
) -> Iterator[Word]:
    """Join letters that follow each other without a blank."""
    word: list[_Letter] = []
    for at in range(n_letters):
        code = api.FPDFText_GetUnicode(page, at)
        letter = None
        if code > ord(" ") or code == _HYPHEN:
            letter = _letter(page, at, code, turn, box)
        if word and (letter is None or not _goes_on(word[-1], letter)):
            yield _word(word)
            word = []
        if letter is not None and (word or _is_seen(page, at, turn)):
            word.append(letter)
            lost[letter.sign == _LOST] += 1
    if word:
        yield _word(word)


def _letter(
    page: pdfium.PdfTextPage,
    at: int,
    code: int,
    turn: int,
    box: tuple[float, float, float, float],
) -> _Letter | None:
    """Give a letter with its place; None: it has none on the page."""
    space, x, y = api.FS_RECTF(), ctypes.c_double(), ctypes.c_double()
    api.FPDFText_GetLooseCharBox(page, at, space)
    api.FPDFText_GetCharOrigin(page, at, x, y)
    left, bottom, right, top = box
    if not (left <= x.value <= right and bottom <= y.value <= top):
        return None
    a, b = _turned(space.left, space.bottom, turn), _turned(space.right, space.top, turn)
    size = abs(b[1] - a[1])
    if not (math.isfinite(a[0]) and math.isfinite(b[0]) and 0 < size < math.inf):
        return None
    is_lost = code == 0xFFFD or 0xE000 <= code <= 0xF8FF or 0xD800 <= code <= 0xDFFF  # noqa: PLR2004
    is_lost = is_lost or api.FPDFText_HasUnicodeMapError(page, at) == 1
    sign = _LOST if is_lost else "-" if code == _HYPHEN else chr(code)
    return _Letter(min(a[0], b[0]), max(a[0], b[0]), _turned(x.value, y.value, turn)[1], size, sign)


def _turned(x: float, y: float, turn: int) -> tuple[float, float]:
    """Give a point's place as the page is shown, clockwise by ``turn`` degrees."""
    return {0: (x, y), 90: (y, -x), 180: (-x, -y), 270: (-y, x)}[turn % 360]


def _is_seen(page: pdfium.PdfTextPage, at: int, turn: int) -> bool:
    """Recognise text that is upright and painted."""
    # counted clockwise, as the turn of a page is
    angle = (api.FPDFText_GetCharAngle(page, at) + math.radians(turn)) % (2 * math.pi)
    if min(angle, 2 * math.pi - angle) > _TURNED:
        return False
    drawn = api.FPDFText_GetTextObject(page, at)
    return not drawn or api.FPDFTextObj_GetTextRenderMode(drawn) not in _HIDDEN


def _goes_on(last: _Letter, new: _Letter) -> bool:
    size = max(last.size, new.size)
    is_beside = -size < new.left - last.right < _WORD_GAP * size
    return is_beside and abs(new.base - last.base) < _LINE_GAP * size


def _word(letters: list[_Letter]) -> Word:
    return Word(
        min(x.left for x in letters),
        max(x.right for x in letters),
        letters[0].base,
        max(x.size for x in letters),
        "".join(x.sign for x in letters),
    )


def _rules(page: pdfium.PdfPage, turn: int) -> Iterator[Rule]:
    """List what separates rows: lines, and the edges of boxes."""
    for n, shape in enumerate(page.get_objects([api.FPDF_PAGEOBJ_PATH], max_depth=4)):
        if n >= MAX_SHAPES:
            return
        left, bottom, right, top = shape.get_bounds()
        a, b = _turned(left, bottom, turn), _turned(right, top, turn)
        low, high = sorted((a[1], b[1]))
        left, right = sorted((a[0], b[0]))
        if high - low < _THIN:
            yield Rule(left, right, (low + high) / 2)
        else:
            yield Rule(left, right, low)
            yield Rule(left, right, high)
