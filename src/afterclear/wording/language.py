"""Words, numbers and dates of the reader's language.

Texts are gettext messages, English ones being their own keys; catalogues travel with the program
(``locale/<language>/LC_MESSAGES/afterclear.mo``, made from the ``.po`` beside it).  Number marks
and date order are those of the Unicode Common Locale Data Repository; a test compares them.
"""

import gettext
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from markupsafe import Markup, escape

from afterclear.errors import Worded

GAP: Final = "\u00a0"  # no-break space: a number never loses its unit at a line's end
_CATALOGUES = Path(__file__).parents[1] / "locale"


@dataclass(frozen=True, slots=True)
class Marks:
    """How a language writes numbers and days."""

    thousands: str
    decimal: str
    day: str  # day, month, year
    months: tuple[str, ...]


# CLDR 45: number symbols, and the skeleton yMMMd
MARKS: Final[dict[str, Marks]] = {
    "en": Marks(
        ",",
        ".",
        f"{{d}}{GAP}{{m}}{GAP}{{y}}",
        ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"),
    ),
    "de": Marks(
        ".",
        ",",
        f"{{d}}.{GAP}{{m}}{GAP}{{y}}",
        (
            *("Jan.", "Feb.", "März", "Apr.", "Mai", "Juni", "Juli"),
            *("Aug.", "Sept.", "Okt.", "Nov.", "Dez."),
        ),
    ),
}


def mark(message: str) -> str:
    """Mark a text for the catalogue without translating it yet."""
    return message


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    if language == "en":
        return gettext.NullTranslations()
    return gettext.translation("afterclear", _CATALOGUES, [language])


class _Lacking(gettext.NullTranslations):
    """Returns empty text if a catalogue lacks a text."""

    def gettext(self, message: str) -> str:  # noqa: ARG002
        return ""


@cache
def _translated(language: str, message: str) -> str:
    return _catalogue(language).gettext(message)


@cache
def _lacking(language: str) -> gettext.NullTranslations:
    found = gettext.translation("afterclear", _CATALOGUES, [language])
    found.add_fallback(_Lacking())
    return found


def messages_of(language: str) -> list[str]:
    """Give all messages of a language's catalogue, in English."""
    found = getattr(_catalogue(language), "_catalog", {})  # gettext has no other way to them
    return [key for key in found if isinstance(key, str)]


def in_language(tag: str, message: str, values: dict[str, object]) -> str:
    """Translate a text and fill its placeholders, as ``Language.t``, which has more calls to it."""
    found = _translated(tag, message)
    return _filled(found, values) if values else found


@dataclass(frozen=True, slots=True)
class Language:
    """Writes texts and numbers in one language."""

    tag: str = "en"

    def t(self, message: str, **values: object) -> str:
        """Translate a text and fill its placeholders; safe HTML among the values stays safe."""
        return in_language(self.tag, message, values)

    def known(self, message: str, **values: object) -> str | None:
        """Translate a text of the tables; None where the catalogue lacks it."""
        if self.tag == "en":
            return _filled(message, values)
        # (the empty text is a catalogue's own head)
        found = _lacking(self.tag).gettext(message) if message else ""
        return _filled(found, values) if found else None

    def tn(self, one: str, many: str, n: int, **values: object) -> str:
        """Translate a text with a count; ``{n}`` in it is the number."""
        found = _catalogue(self.tag).ngettext(one, many, n)
        return _filled(found.replace("{n} ", "{n}" + GAP), {"n": self.number(n), **values})

    def said(self, text: str) -> str:
        """Say a message with its places in this language; a text without words in it stays."""
        return self.said_if_known(text) or text

    def said_if_known(self, text: str) -> str | None:
        """Say a message in this language; None where the catalogue lacks it.

        A message from outside that no catalogue has is not filled again.
        """
        if self.tag == "en":
            return str(text)
        if not isinstance(text, Worded):
            return self.known(text)
        values = {name: self.written(value) for name, value in text.values.items()}
        return self.known(text.message, **values)

    def written(self, value: object) -> object:
        """Give what fills a place of a message: a message said, a number with the marks."""
        if isinstance(value, Worded):
            return self.said(value)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return _Number(value, self.tag)
        return value

    def number(self, value: float, digits: int = 0) -> str:
        """Write a number with the language's marks.

        >>> Language("de").number(41310.44, 1)
        '41.310,4'
        """
        marks = MARKS[self.tag]
        text = f"{value:,.{digits}f}"
        if self.tag == "en":
            return text
        return text.translate({ord(","): marks.thousands, ord("."): marks.decimal})


@cache
def spoken(tag: str) -> Language:
    """Return the language of a tag, always the same one."""
    return Language(tag)


@dataclass(frozen=True, slots=True)
class _Number:
    """A number that is written with the marks of a language, in whatever form is asked."""

    value: float
    tag: str

    def __format__(self, form: str) -> str:
        marks = MARKS[self.tag]
        turned = {ord(","): marks.thousands, ord("."): marks.decimal}
        return format(self.value, form).translate(turned)

    def __str__(self) -> str:
        return format(self, "")

    __repr__ = __str__


def _filled(text: str, values: dict[str, object]) -> str:
    if not values:
        return text
    for value in values.values():  # (a page has a hundred thousand texts)
        if isinstance(value, Markup):
            return escape(text).format(**values)
    return text.format(**values)
