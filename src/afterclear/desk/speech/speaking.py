"""In which language a page speaks: the digests' own, as a whole, or English as a whole.

A page that has texts of its own in every language is named below; of what the program says on it
only what keeps its places (``errors.Worded``) can be said in another language than English.  A page
on which anything else is to be told is English, so that none is half in one language.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

from afterclear.catalogue.cautions import Caution
from afterclear.commands.app import App
from afterclear.config import without_secrets
from afterclear.desk.speech.desk_words import in_desk_words
from afterclear.errors import Worded
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import code_words

SPOKEN: Final = frozenset(
    (
        *("home.html", "nothing_yet.html", "problem.html", "sign_in.html", "go_in.html"),
        *("codes.html", "vehicle.html", "work.html", "settings.html"),
        *("bring.html", "maps.html", "forget.html", "trail.html"),
    )
)
_TOLD: Final = ("problem", "text")  # what the program says on a page, beside its "reasons"


def cells_of(app: App) -> Cells:
    """Return how numbers, times and texts are written at the desk; its times are in UTC."""
    digest = app.config.settings.digest
    return Cells(units=digest.units, language=digest.language)


def cells_on(template: str, facts: Mapping[str, Any], cells: Cells) -> Cells:
    """Return how they are written on a page that is to tell these facts."""
    told = [facts[name] for name in _TOLD if facts.get(name)] + list(facts.get("reasons", ()))
    if template in SPOKEN and all(isinstance(text, Worded) for text in told):
        return cells
    return replace(cells, language="en")


def in_words(template: str, facts: Mapping[str, Any], cells: Cells) -> dict[str, str]:
    """Return what the program says among the facts of a page, in the page's language."""
    if template not in SPOKEN:
        return {}
    return {name: said(facts[name], cells) for name in _TOLD if name in facts}


def said(text: str, cells: Cells) -> str:
    """Return what the program says, in the words of the desk and the reader's language."""
    return without_secrets(in_desk_words(cells.words.said(text)))


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
    }
