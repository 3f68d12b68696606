"""Identifiers stay on one line: a finished page's words, each kept whole.  Pure.

A narrow column breaks words anywhere, so that no page is wider than its screen, and a browser
breaks after a hyphen or before FMI.  An order number or code read in two halves is misread.  A
sentence is made of translated text and names alike, so identifiers are found by their form, on
every page the same way.  Only style is added: what is copied is what was written.
"""

import re

# more than a phone's line has room for: such a name breaks rather than widen the page
_LONGEST = 24

_SKIPPED = re.compile(r"<(title|style|script|svg|code)\b.*?</\1>|<[^>]*>|[^<]+", re.DOTALL)
# a code of a heavy vehicle; a word of capitals and digits; such words joined by hyphens
_FORM = (
    r"SPN\s\d+(?:\sFMI\s\d+)?|(?:[A-Z]{1,4}\d{2}[A-Z\d]*|(?:[A-Z\d]+-)+[A-Z\d]+|[a-z]+(?:-\d+)+)"
)
# with the punctuation on either side, so that no line begins with a comma
_WORD = re.compile(rf"(?<!\S)[(\[]?(?:{_FORM})[)\].,;:?]*(?!\S)")
# their style keeps them whole
_WHOLE = re.compile(r' class="(?:code|plate|vehicle|id)(?: [^"]*)?"')


def keep_identifiers(html: str) -> str:
    """Return a page whose identifiers do not break across lines.

    >>> keep_identifiers("<p>Order BW-240007, for P0171-00.</p>")
    '<p>Order <span class="id">BW-240007,</span> for <span class="id">P0171-00.</span></p>'
    >>> keep_identifiers('<span class="code">SPN 1761 FMI 3</span>')
    '<span class="code">SPN 1761 FMI 3</span>'
    """
    kept: list[str] = []
    for piece in _SKIPPED.finditer(html):
        text = piece[0]
        if text.startswith("<") or not kept:
            kept.append(text)
        elif _WHOLE.search(kept[-1]):
            kept[-1] = _fitted(kept[-1], text)
            kept.append(text)
        else:
            kept.append(_WORD.sub(_marked, text))
    return "".join(kept)


def _fitted(tag: str, name: str) -> str:
    """Let a name that is too long for a line break."""
    return tag if len(name) <= _LONGEST else _WHOLE.sub(lambda m: f'{m[0][:-1]} long"', tag)


def _marked(word: re.Match[str]) -> str:
    name = word[0]
    is_named = any(c.isdigit() for c in name) and len(name) <= _LONGEST
    return f'<span class="id">{name}</span>' if is_named else name
