"""What a long piece of work tells: how far it is, and lines about it, shown by its caller.

Lines keep the places of their messages for a program that asks for them: the desk runs commands in
processes of their own, and says their lines in its reader's language.
"""

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from afterclear.config import without_secrets
from afterclear.errors import Worded, packed, unpacked, worded

_ASKED: Final = "AFTERCLEAR_LINES"
_MARKS: Final = {
    "stored": worded("ok"),
    "known": worded("known"),
    "refused": worded("REFUSED"),
    "left": worded("LEFT"),
}
LINES_PACKED: Final = {_ASKED: "packed"}  # the environment of whoever asks for them


@dataclass(frozen=True, slots=True)
class Progress:
    """Gets the amount of work, then each part done."""

    begin: Callable[[int], None]
    advance: Callable[[int], None]


QUIET = Progress(lambda _: None, lambda _: None)


def line_to_tell(text: str) -> str:
    """Give a line as whoever began this command wants it."""
    if isinstance(text, Worded) and os.environ.get(_ASKED) == LINES_PACKED[_ASKED]:
        return json.dumps(packed(text))
    return text


def line_told(line: str) -> str:
    """Read a line again, without secrets; one that is not packed is as it is."""
    plain = without_secrets(line)
    try:
        found = unpacked(json.loads(plain)) if plain.startswith("{") else plain
    except (ValueError, TypeError):
        return plain
    return found if isinstance(found, Worded) else plain


def file_line(outcome: str, name: str, said: str) -> Worded:
    """Give the line of a file that was to be loaded; ``said``: what it brought, or why not."""
    return worded("{mark:>7}  {file}  {said}", mark=_MARKS[outcome], file=name, said=said)


def file_told(line: str) -> tuple[str, str, str] | None:
    """Return outcome, name and words of a file's line; None: it is none."""
    if not isinstance(line, Worded) or line.values.keys() != {"mark", "file", "said"}:
        return None
    mark, name, said = (line.values[part] for part in ("mark", "file", "said"))
    outcome = next((each for each, words in _MARKS.items() if words == mark), "")
    return outcome, str(name), said if isinstance(said, Worded) else str(said)
