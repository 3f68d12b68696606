"""Identifiers stay on one line: a finished page's words, each kept whole.  Pure.

A narrow column breaks words anywhere, so that no page is wider than its screen, and a browser
breaks after a hyphen or before FMI.  An order number or code read in two halves is misread.  A
sentence is made of translated text and names alike, so identifiers are found by their form, on
every page the same way.  Only style is added: what is copied is what was written.
"""

import re

# more than a phone's line has room for: such a name breaks rather than widen the page
_LONGEST = 24

# what a browser does not break, and code, which is shown as it was written
_LEFT_ALONE = re.compile(r"<(title|style|script|svg|code)\b.*?</\1>", re.DOTALL)
# a code of a heavy vehicle; a word of capitals and digits; such words joined by hyphens
_FORM = (
    r"SPN\s\d+(?:\sFMI\s\d+)?"
    r"|[A-Z]{1,4}\d{2}[A-Z\d]*|(?:[A-Z\d]+-)+[A-Z\d]+|[a-z]++(?:-\d++)++"
)
# with the punctuation on either side, so that no line begins with a comma
_WORD = re.compile(rf"([\s>])([(\[]?(?:{_FORM})[)\].,;:?]*)(?![^\s<])")
# their style keeps them whole; ...
_WHOLE = re.compile(r' class="(?:code|plate|vehicle|id)(?: [^"]*)?"')
_TOO_LONG = re.compile(rf'({_WHOLE.pattern[:-1]})"([^>]*>[^<]{{{_LONGEST + 1}}})')


def keep_identifiers(html: str) -> str:
    """Return a page whose identifiers do not break across lines.

    >>> keep_identifiers("<p>Order BW-240007, for P0171-00.</p>")
    '<p>Order <span class="id">BW-240007,</span> for <span class="id">P0171-00.</span></p>'
    >>> keep_identifiers('<span class="code">SPN 1761 FMI 3</span>')
    '<span class="code">SPN 1761 FMI 3</span>'
    """
    kept: list[str] = []
    done = 0
    for alone in _LEFT_ALONE.finditer(html):
        kept += (_in_text(html[done : alone.start()]), alone[0][:-1])
        done = alone.end() - 1  # a word may follow its last sign
    return "".join((*kept, _in_text(html[done:])))


def _in_text(html: str) -> str:
    """Keep the identifiers of a piece of a page; a name too long for a line breaks."""
    return _WORD.sub(_marked, _TOO_LONG.sub(r'\1 long"\2', html))


def _marked(word: re.Match[str]) -> str:
    before, name = word.groups()
    is_named = any(c.isdigit() for c in name) and len(name) <= _LONGEST
    return f'{before}<span class="id">{name}</span>' if is_named and _is_bare(word) else word[0]


def _is_bare(word: re.Match[str]) -> bool:
    """Whether a word stands in the text, and not in a tag nor in one that keeps it whole."""
    page, at = word.string, word.start(2)
    tag, end = page.rfind("<", 0, at), page.rfind(">", 0, at)
    return tag < end and _WHOLE.search(page, max(tag, 0), end + 1) is None
