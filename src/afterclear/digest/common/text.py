"""Text from outside made safe for a page: forbidden and direction characters become visible."""

import re

from afterclear.wording.language import GAP

# Not allowed in an HTML document as characters (HTML Living Standard, 13.2.3.5: control-,
# noncharacter- and surrogate-character-reference errors), and the directional overrides and
# isolates of Unicode (UAX 9), which can make a plate or a name read as another.
_UNFIT = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufdd0-\ufdef\ufffe\uffff"
    "\ud800-\udfff"
    + "".join(f"{chr(plane << 16 | 0xFFFE)}{chr(plane << 16 | 0xFFFF)}" for plane in range(1, 17))
    + "]"
)


def fit_text(text: str) -> str:
    r"""Replace characters a page cannot carry by the replacement character.

    >>> fit_text("coil\x00")
    'coil\ufffd'
    """
    # nearly every text, and three times as fast; no character that prints is forbidden
    if text.isprintable() or text.replace(GAP, "").isprintable():
        return text
    return _UNFIT.sub("\ufffd", text)


def shorten(text: str, n_chars: int) -> str:
    """Cut a text to a number of characters, with an ellipsis where something was cut.

    >>> shorten("Exhaust gas recirculation", 12)
    'Exhaust gas…'
    """
    if len(text) <= n_chars:
        return text
    return text[: max(1, n_chars - 1)].rstrip() + "\u2026"
