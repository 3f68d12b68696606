"""Names of months and halves of the day, in the languages served, written as a parser knows them.

Source: Unicode CLDR (names wide and abbreviated, of dates and alone), checked against it in
``tests/catalogue/test_months.py``; Austrian "Jänner" and "Feber" included.
"""

import re

from afterclear.catalogue.folded_words import without_accents

ENGLISH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# without accents, small letters; a word that means two months in two languages is left out
_NAMES = (
    "january jan januar janner jan. janv janvier enero ene styczen stycznia sty",
    "february feb februar feber fevr fevrier febrero luty lutego lut",
    "march mar marz maerz mrz mars marzo marzec marca",
    "april apr avr avril abril abr kwiecien kwietnia kwi",
    "may mai mayo maj maja",
    "june jun juni juin junio czerwiec czerwca cze",
    "july jul juli juil juillet julio lipiec lipca lip",
    "august aug aout agosto ago sierpien sierpnia sie",
    "september sep sept septembre septiembre wrzesien wrzesnia wrz",
    "october oct oktober okt octobre octubre pazdziernik pazdziernika paz",
    "november nov novembre noviembre listopad listopada lis",
    "december dec dezember dez decembre diciembre dic grudzien grudnia gru",
)
_MONTH_OF = {
    name: month for month, names in zip(ENGLISH, _NAMES, strict=True) for name in names.split()
}
_WORD = re.compile(r"[^\W\d_]+\.?")
# the day of the month as an ordinal: 1er septembre, 3rd March
_ORDINAL = re.compile(r"\b(\d{1,2})(?:er|st|nd|rd|th)(?=\s+[^\W\d_])", re.IGNORECASE)
_HALF = re.compile(r"\b([ap])\.?\s?m\b\.?", re.IGNORECASE)


def month_of(word: str) -> str | None:
    """Give the English abbreviation of a month's name; None if it is none.

    >>> month_of("März"), month_of("févr."), month_of("marca"), month_of("Uhr")
    ('Mar', 'Feb', 'Mar', None)
    """
    return _MONTH_OF.get(without_accents(word).rstrip("."))


def in_english(text: str) -> str:
    """Write the months in a text as their English abbreviations, and a.m. as AM.

    >>> in_english("3. März 2026, 2:05 p. m.")
    '3. Mar 2026, 2:05 PM'
    >>> in_english("1er septembre 2026")
    '1 Sep 2026'
    """
    halves = _HALF.sub(lambda found: f"{found[1].upper()}M", text)
    days = _ORDINAL.sub(r"\1", halves)
    return _WORD.sub(lambda found: month_of(found[0]) or found[0], days)
