"""The words of a column with a few known ones; the user is asked about the others."""

import re
from collections.abc import Sequence

from afterclear.errors import worded
from afterclear.plain import TABLES
from afterclear.readers.suggest.columns.column_choice import BLANKS
from afterclear.readers.suggest.columns.profiles import is_none_word
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling

_CHOICES = {c.name: c.choices for t in TABLES.values() for c in t.columns if c.choices}
MOST_WORDS = 3  # words of a column that are asked for one by one


def fill_words(f: Filling, column: str) -> None:
    """Take a column of a few known words."""
    if f.has(column):
        f.plain(column, spec=choice_spec(f, column, f.profile(column).values))


def _lasting_words(f: Filling, met: Sequence[str]) -> dict[str, str]:
    """Say what *permanent* means beside *intermittent*: a fault that is there all the time.

    By itself it is what ISO 15031-5 reports in service 0A: a code that no clearing takes away.
    """
    words = f.sight.words
    if not _has_intermittent(f, met):
        return {}
    present = "active" if f.has("spn") else "confirmed"
    return {w: present for w in met if words.of_word("status", w) == "permanent"}


def _has_intermittent(f: Filling, met: Sequence[str]) -> bool:
    return any(f.sight.words.of_word("intermittent", word) for word in met)


def doubtful_lasting(f: Filling, met: Sequence[str]) -> set[str]:
    """Give the words for lasting that may mean the permanent code that no clearing takes away.

    A word for *lasting* is of a fault that is there all the time, unless *pending* and another word
    for *confirmed* or *active* stand beside it; so is *permanent* beside *intermittent*, unless
    another word says *confirmed* or *active*: two words of one list hardly mean the same.
    """
    words = f.sight.words
    own = {w for w in met if words.of_word("lasting", w)}
    of_law = {w for w in met if words.of_word("status", w) == "permanent"}
    others = {words.of_word("status", w) for w in met if w not in own}
    is_told_apart = "pending" in others and bool(others & {"confirmed", "active"})
    doubtful = own if is_told_apart else set()
    is_parted = _has_intermittent(f, met) and bool(others & {"confirmed", "active"})
    return doubtful | (of_law if is_parted else set())


def choice_spec(f: Filling, column: str, met: Sequence[str]) -> dict[str, object]:
    """Translate the words of a column; ask about unknown ones."""
    hexes = column == "status" and all(re.fullmatch(r"(?:0[xX])?[0-9a-fA-F]{2}", w) for w in met)
    if hexes:
        return {}
    values = choices_of(f, column, met)
    is_plain = len(values) == len({*met} - {*f.dropped})
    return {} if is_plain and all(w.lower() == o for w, o in values.items()) else {"values": values}


def choices_of(f: Filling, column: str, met: Sequence[str]) -> dict[str, str]:
    """Say what each word of a column means; one that is refused, as answered, is not among them."""
    choices = _CHOICES[column]
    values: dict[str, str] = {}
    unknown = []
    lasting = _lasting_words(f, met) if column == "status" else {}
    doubtful = doubtful_lasting(f, met) if column == "status" else set()
    for word in met:
        if word in f.dropped:
            continue
        own = word.lower() if word.lower() in choices else f.sight.words.of_word(column, word)
        own = None if word in doubtful else lasting.get(word, own)
        if own is None and (word.lower() in BLANKS or is_none_word(word)):
            own = ""
        if own is None:
            unknown.append(word)
        else:
            values[word] = own
    for word in unknown[:MOST_WORDS]:
        question = Question(
            f"word:{word}",
            worded(
                "What does {word!r} say of {column}?", word=word, column=column.replace("_", " ")
            ),
            (
                *(Choice(c, c.replace("_", " ")) for c in choices),
                Choice("unknown", worded("nothing known")),
                Choice("refuse", worded("nobody knows: rows that say it are refused")),
            ),
            f.rows_with(word),
            unasked="refuse",
        )
        answer = f.asker.choose(question)
        if answer != "refuse":
            values[word] = "" if answer == "unknown" else answer
    return values
