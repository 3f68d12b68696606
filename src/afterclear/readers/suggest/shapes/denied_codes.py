"""Codes that a cell names only to say that they were not found.

"no P0420" may be a unit that was read and is clean, or the answer to a question about one code;
*No* is short for number, too.
"""

import re
from collections.abc import Sequence

from afterclear.errors import worded
from afterclear.readers.mapped.map_cells import NOT_FOUND
from afterclear.readers.suggest.columns.code_columns import A_CODE
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling

# Before a code that was not there, in the languages served (common practice, no source).
_NO = r"no|not|without|kein(?:e|en)?|ohne|pas\s+de|aucun|sans|sin|brak|bez|nie\s+ma"
DENIED = rf"(?i:(?:{_NO})\s+{A_CODE}|{A_CODE}[\s:=(\[\u2013-]*(?:{NOT_FOUND})[)\]\s.]*)"
_DENIED = re.compile(DENIED)


def denied(values: Sequence[str]) -> list[str]:
    """List the cells that name a code only to say that it was not found."""
    return [value for value in values if _DENIED.fullmatch(value)]


def pattern_of_denied(f: Filling, profile: Profile, own: object) -> dict[str, object]:
    """Ask what such cells say of their unit; the code's pattern, which may have been ``own``."""
    met = denied(profile.values)
    if not met:
        return {}
    question = Question(
        "denied",
        worded(
            "Some cells under {heading!r} name a code that was not found, such as {denied!r}. "
            "What do they say?",
            heading=profile.heading,
            denied=met[0],
        ),
        (
            Choice("clean", worded("the control unit was read, and no code was stored")),
            Choice("refuse", worded("nobody knows: such rows are refused")),
        ),
        f.rows_where(profile, met),
        unasked="refuse",
    )
    if f.asker.choose(question) == "refuse":
        return {}
    return {"pattern": f"^{DENIED}$|{own or '^(.*)$'}"}
