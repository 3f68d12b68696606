"""Codes of which a cell tells the first and the last: P0301 to P0304."""

import re
from collections.abc import Sequence

from afterclear.errors import worded
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling

# Between the two, in the languages served (common practice, no source).
UP_TO = r"\s+(?:to|thru|through|bis|à|a|al|do)\s+|\s*[-–]\s*"  # noqa: RUF001 - as it is written
_RANGE = re.compile(rf"([PCBU][0-3][0-9A-F]{{2}})(\d)(?:{UP_TO})\1(\d)", re.IGNORECASE)


def ranges_in(values: Sequence[str]) -> list[str]:
    """List the cells that tell a first and a last code, of which only the last figure differs.

    >>> ranges_in(["P0301 à P0304", "P0301-P0303", "P0304-P0301", "C0035-11", "P0301, P0303"])
    ['P0301 à P0304', 'P0301-P0303']
    """
    found = ((value, _RANGE.fullmatch(value)) for value in values)
    return [value for value, told in found if told and int(told[2]) < int(told[3])]


def told_in_full(f: Filling, profile: Profile) -> dict[str, object]:
    """Ask whether all codes between the two are meant; without an answer such rows are refused."""
    met = ranges_in(profile.values)
    if not met:
        return {}
    question = Question(
        "code-range",
        worded(
            "Some cells under {heading!r} tell two codes with a word or a dash between, such as "
            "{range!r}. Which were stored?",
            heading=profile.heading,
            range=met[0],
        ),
        (
            Choice("all", worded("all codes from the first to the last")),
            Choice("refuse", worded("nobody knows: such rows are refused")),
        ),
        f.rows_where(profile, met),
        unasked="refuse",
    )
    return {"up_to": UP_TO} if f.asker.choose(question) == "all" else {}
