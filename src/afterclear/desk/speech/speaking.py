"""How the pages of the desk speak: the language of the digests, as far as it has the words.

What the program says on a page keeps its places (``errors.Worded``), so that it can be said in the
reader's language; what the store keeps as text is found again among the messages.  What has no
words in that language stands there in English, and is marked so.
"""

from typing import Any

from markupsafe import Markup, escape

from afterclear.catalogue.cautions import Caution
from afterclear.commands.app import App
from afterclear.config import without_secrets
from afterclear.desk.speech.desk_words import in_desk_words
from afterclear.desk.speech.kept_messages import said_again
from afterclear.errors import Worded
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import code_words


def cells_of(app: App) -> Cells:
    """Return how numbers, times and texts are written at the desk; its times are in UTC."""
    digest = app.config.settings.digest
    return Cells(units=digest.units, language=digest.language)


def said(text: str, cells: Cells) -> str:
    """Return what the program says, in the words of the desk and the reader's language."""
    return without_secrets(in_desk_words(cells.words.said(text)))


def said_in(text: str, cells: Cells) -> tuple[str, str]:
    """Return what the program says, and the language it is said in: English if words lack."""
    own = cells.words.said_if_known(text)
    if own is None and not isinstance(text, Worded):
        own = said_again(text, cells.words)
    language = "en" if own is None else cells.language
    return without_secrets(in_desk_words(text if own is None else own)), language


def told(text: str, cells: Cells) -> Markup:
    """Return what the program says as a part of a page, marked if it is in another language."""
    words, language = said_in(text, cells)
    if language == cells.language:
        return escape(words)
    first, mark, rest = text.partition("; ")  # several notes of one load
    if mark:
        return Markup("{}; {}").format(told(first, cells), told(rest, cells))
    return Markup('<span lang="{}">{}</span>').format(language, words)


def caution_words(caution: Caution, cells: Cells) -> Caution | None:
    """Return a caution in the reader's language; None if it has no translation."""
    title, text = (cells.words.known(words) for words in (caution.title, caution.text))
    return Caution(caution.id, title, text) if title and text else None


def helps(cells: Cells) -> dict[str, Any]:
    """Return what templates write with."""
    return {
        "language": cells.language,
        "t": cells.t,
        "tn": cells.tn,
        "number": cells.number,
        "distance": cells.distance,
        "day": cells.day,
        "moment": cells.moment,
        "unit_name": cells.unit_name,
        "control_unit": cells.control_unit,
        "code_words": lambda text: code_words(text, cells.words),
        "caution_words": lambda caution: caution_words(caution, cells),
        "said": lambda text: said(text, cells),
        "told": lambda text: told(text, cells),
        "known": cells.words.known,
    }
