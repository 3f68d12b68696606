"""What commands say, in the words of the desk: nobody here is told to type a command.

A message of the program names the command that mends or shows a thing, between marks.  Its place is
taken by the page of the desk that does the same; ``tests/desk/test_words.py`` walks all messages of
the program for one that has none.
"""

import re
from collections.abc import Callable
from typing import Final

# What the desk has for a command; the first that a command begins with counts.
_PAGES: Final = {
    "export loads": "“What was loaded”",
    "export": "“All vehicles”",
    "forget finish": "“Finish forgetting it” under “Today”",
    "forget": "“Forget this vehicle” on its page",
    "load": "“Bring files”",
    "map-check": "“Bring files”",
    "check-file": "“Bring files”",
    "rejections": "“Refused rows”",
    "replay": "“Read again” under “Refused rows”",
    "retract": "“What was loaded”",
    "reassign": "“What was loaded”",
    "analyse": "“Judge every fix” under “Today”",
    "digest": "“Judge every fix” under “Today”",
    "decide": "“To decide”",
}
_COMMAND: Final = re.compile(r"['`]afterclear (?P<words>[a-z][a-z-]+\b[^'`]*)['`]")
_NAMED: Final = re.compile(r"\b(?P<verb>[Rr]un|[Gg]ive) (?=“)")

_OUTCOMES: Final = {"ok": "Loaded", "known": "Known already", "REFUSED": "Refused", "LEFT": "Left"}
_OUTCOME: Final = re.compile(rf"^\s*({'|'.join(_OUTCOMES)})  (.+)$")

_TURNS: Final[tuple[tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]], ...]] = (
    (re.compile(r"^afterclear: "), ""),
    (_OUTCOME, lambda found: f"{_OUTCOMES[found[1]]}: {found[2]}"),
    (re.compile(r"`load --(?:vehicle) ID`"), "the field “Whose file it is”"),
    (re.compile(r"`load --begun TIME`"), "the field “When it began”"),
    (re.compile(r",? or with `vehicle` of the source in sources\.toml"), ""),
    (re.compile(r" or `vehicle` of the source in sources\.toml"), ""),
    (re.compile(r"[Rr]un 'afterclear load'( first)?"), "Bring files first"),
    (re.compile(r"then run the same command again"), "then try it again"),
    (re.compile(r"--until (?=\d)"), ""),
    (re.compile(r"; --all reads all again"), ""),
)


def in_desk_words(text: str) -> str:
    """Give a message with pages of the desk in the place of commands.

    >>> in_desk_words("3 rows were refused; 'afterclear rejections' lists them.")
    '3 rows were refused; “Refused rows” lists them.'
    """
    for pattern, turned in _TURNS:
        text = pattern.sub(turned, text)
    text = _COMMAND.sub(_page_of, text)
    return _NAMED.sub(lambda found: "Use " if found["verb"].istitle() else "use ", text)


def _page_of(found: re.Match[str]) -> str:
    words = found["words"]
    page = next((page for begin, page in _PAGES.items() if words.startswith(begin)), "")
    # what has no page is for whoever keeps the machine
    return page or f"“{words.split()[0]}” of the terminal"
