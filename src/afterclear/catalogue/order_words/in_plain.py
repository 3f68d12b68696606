"""Short forms written out that only what follows them tells apart: "v. l.", "v. Kat", "g/d".

They stand in patterns, for a full stop or a stroke within them would divide the text elsewhere.
Source: common practice of the trade, no source.
"""

import re
from typing import Final

from afterclear.catalogue.order_words.vocabulary import BOTH_SIDES

# what short forms of one language mean in front of what follows, and work named as a part is
_EXHAUST = r"(?:d(?:em|er|\.)\s+)?(?:kat|vorkat|dpf|opf|scr|turbo|lader|partikelf|rußf|nox)"
_IN_PLAIN: Final = {
    "de": (
        (re.compile(r"\b([vh])\.\s+([lr])\b\.?(?!\w)", re.IGNORECASE), r"\1\2"),  # "v. l."
        (re.compile(rf"\bv\.\s*(?={_EXHAUST})", re.IGNORECASE), "vor "),
        (re.compile(rf"\bn\.\s*(?={_EXHAUST})", re.IGNORECASE), "nach "),
        (re.compile(r"\bv\.\s+(?=[A-ZÄÖÜ][a-zäöü]{2})"), "von "),
        (re.compile(r"\b(?:li?|links)\.?\s*/\s*(?:re?|rechts)\b\.?", re.IGNORECASE), BOTH_SIDES),
        (re.compile(r"\b(\d)\.\s+(?=Achse)"), r"Achse \1 "),
        (re.compile(r"\bZ(\d)\b"), r"Zyl \1"),
    ),
    "fr": (
        (re.compile(r"\b(av|ar)\s*/\s*([gd])\b", re.IGNORECASE), r"\1\2"),
        (re.compile(r"\bg(?:auche)?\s*/\s*dr?(?:oite?)?\b", re.IGNORECASE), BOTH_SIDES),
        (re.compile(r"\b(sup|inf|ext|int)\.\s+(?=AV|AR|[GD]\b)"), r"\1 "),
    ),
    "es": (
        # "inner", not the switch
        (
            re.compile(
                r"\b(?:int|ext)\.\s*(?=(?:dch|izq|der|del|tras)[a-z]*\b)|(?<=(?:del|ras|izq)\. )"
                r"(?:int|ext)\.",
                re.IGNORECASE,
            ),
            " ",
        ),
        (re.compile(r"\b(\d)\.?[ºª]"), r"\1do "),
        (
            re.compile(
                r"\b(?:izq|izda|izdo|izquierd[oa])\.?\s*/\s*(?:dcha|dcho|der|derech[oa])\b\.?",
                re.IGNORECASE,
            ),
            BOTH_SIDES,
        ),
        # a gearbox's control unit that was then worked on
        (
            re.compile(r"(?<=[a-z] )cambio (?=(?:repar|sustit|cambiad|limpi|nuev|program|codif))"),
            "caja ",
        ),
        # "cambio de electroválvula" is work; "electroválvula de cambio" is of the gearbox
        (
            re.compile(
                r"(?:(?<=^)|(?<=[.,;:+/(] )|(?<=[.,;:+/(])|(?<= y )|(?<= e )|(?<=se hace )"
                r"|(?<=hecho )|(?<=realizado )|(?<=por )|(?<=procede a ))cambio (?:de(?=l?\b) ?)?"
                r"(?!l?\s*(?:marcha|velocidad|autom|manual|robot|secuenc|cvt\b|no\b|con\b|hace\b"
                r"|patin|da\b|se\b|entra|duro|brusco|aceite))",
                re.IGNORECASE,
            ),
            "sustituido ",
        ),
    ),
    "pl": (
        # "was renewed", not "stays"
        (
            re.compile(
                r"\bzosta(?:[łl][aoy]?|ć)\s+(?=\w+(?:on|an|t)(?:[yaeo]|ego)\b)", re.IGNORECASE
            ),
            "",
        ),
        (re.compile(r"\blew[yae]\s*/\s*praw[yae]\b", re.IGNORECASE), BOTH_SIDES),
        (re.compile(r"\bl\.\s*(?=prz[óo]d|ty[łl])", re.IGNORECASE), "lewy "),
        (re.compile(r"\bpr?\.\s*(?=prz[óo]d|ty[łl])", re.IGNORECASE), "prawy "),
    ),
    "en": (
        # work, though "blown" alone says how a thing is
        (re.compile(r"\b(?:blown (?:through|thru|clear)|cleared out)\b", re.IGNORECASE), "cleaned"),
        (
            re.compile(r"\bs/?w\b(?=\s+(?:re)?(?:flash|updat|load|upgrad|vers))", re.IGNORECASE),
            "software",
        ),
        (re.compile(r"\bax(?:le)?\s*(\d)\s*L\b", re.IGNORECASE), r"axle \1 left"),
        (re.compile(r"\bax(?:le)?\s*(\d)\s*R\b", re.IGNORECASE), r"axle \1 right"),
        (
            re.compile(
                r"\b(?:lh|left|n/?s)\s*/\s*(?:rh|right|o/?s)\b|\b(?:rh|right|o/?s)\s*/"
                r"\s*(?:lh|left|n/?s)\b",
                re.IGNORECASE,
            ),
            BOTH_SIDES,
        ),
    ),
}


def in_plain(text: str, language: str) -> str:
    """Write them out.

    >>> in_plain("Lambdasonde v. Kat, Radlager v. l.", "de")
    'Lambdasonde vor Kat, Radlager vl'
    """
    for short, plain in _IN_PLAIN.get(language, ()):
        text = short.sub(plain, text)
    return text
