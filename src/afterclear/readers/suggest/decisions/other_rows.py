"""Rows of another kind than their table: codes cleared among codes read, work that was not done.

A column of a few words shows it. Such rows are never taken like the others without asking: a
cleared code would count as seen, and planned work as a repair.  Where the other words of the column
say the opposite (done beside planned, read beside cleared) nothing is left to ask.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from afterclear.catalogue.folded_words import words_of
from afterclear.errors import worded
from afterclear.readers.suggest.beside.cleared import unit_cleared
from afterclear.readers.suggest.columns.column_choice import Decision, Taken
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.columns.readings import WHOSE
from afterclear.readers.suggest.decisions.legends import ask_marked_rows
from afterclear.readers.suggest.evidence.decision_draft import Filling

_FEW = 8  # distinct words of such a column
_MOST_WORDS = 6  # of one value: "cancelled - customer did not come"
_TEXTS = ("work_text", "complaint", "notes", "description", "code", "ecu", "vehicle_id", "reason")
_SAYS_OF_CODES = ("status", "status_flag", "ecu_response")


def part_rows(f: Filling) -> None:
    """Ask about rows of another kind, and leave them out or separate them as answered."""
    _struck_rows(f)
    _part_by_words(f)
    ask_marked_rows(f)


@dataclass(frozen=True, slots=True)
class _Kinds:
    """Kinds of words of a column, as ``headings.csv`` has them, and what they say of a row."""

    column: str
    odd: frozenset[str]  # such rows are of another kind
    usual: str  # what the words of the other rows say, where nothing is left to ask
    surely: str  # the odd kind that means nothing else beside those


_EVENTS = _Kinds("event", frozenset({"cleared"}), "read", "cleared")
_READINGS = _Kinds("reading", frozenset({"broken_off"}), "complete", "broken_off")
_CLEARINGS = _Kinds("clearing", frozenset({"failed"}), "worked", "failed")
_WORKS = _Kinds("work_state", frozenset({"undone", "waiting", "taken_back"}), "done", "undone")


def _part_by_words(f: Filling) -> None:
    if f.decision.into == "scans" and (found := _saying(f, _EVENTS)):
        _part_cleared(f, *found)
    elif f.decision.into == "scans" and (flagged := _flagged_as_cleared(f)):
        _clear_after_reading(f, *flagged)
    elif f.decision.into == "scans" and (found := _saying(f, _READINGS, _SAYS_OF_CODES)):
        _leave_or_take(f, *found, _READINGS, worded("Was the vehicle read to the end then?"))
    elif f.decision.into == "scans" and not _has_codes(f) and (found := _saying(f, _WORKS)):
        _leave_or_take(f, *found, _WORKS, worded("Does such a row count?"))
    elif f.decision.into == "clears" and (found := _saying(f, _CLEARINGS)):
        _leave_or_take(f, *found, _CLEARINGS, worded("Was the memory cleared then?"))
    elif f.decision.into == "repairs" and (found := _saying(f, _WORKS)):
        _leave_or_take(f, *found, _WORKS, worded("Was that work done?"))


def _kind(f: Filling, kinds: _Kinds, text: str) -> str:
    """Give the kind of a word; what is not done is undone, what is not approved waits still."""
    first, *rest = words_of(text) or ("",)
    own = f.sight.words.of_beginning(kinds.column, text, anywhere=kinds is _EVENTS)
    if own or f.sight.words.of_word("denial", first) is None:
        return own
    kind = f.sight.words.of_beginning(kinds.column, " ".join(rest))
    return kinds.surely if kind == kinds.usual else kind


def _decided(f: Filling, profile: Profile, words: Sequence[str], kinds: _Kinds) -> Decided | None:
    """Say that rows are of another kind for sure: all other words of the column say the usual."""
    others = [v for v in profile.values if v not in words]
    if not others or any(_kind(f, kinds, v) != kinds.usual for v in others):
        return None
    at = [n for n, cell in enumerate(profile.cells) if cell in words]
    doubtful = [w for w in words if _kind(f, kinds, w) != kinds.surely]
    if doubtful and not (unended := _only_unfilled(f, at)):
        return None
    if kinds is _READINGS and any(f.profile("code").cells[n] for n in at if f.has("code")):
        return None  # codes that were read before it broke off were stored
    word = "clears" if kinds is _EVENTS else "leave"
    why = worded("{word!r} stands beside {other!r}", word=words[0], other=others[0])
    if doubtful:
        why = worded("{why}, and {unended!r} is empty then", why=why, unended=unended)
    return Decided(word, why)


def _only_unfilled(f: Filling, at: Sequence[int]) -> str:
    """Name a column of dates that is empty in these rows and filled in all others; empty: none."""
    for heading in f.sight.times:
        empty = [n for n, cell in enumerate(f.sight.by_name[heading].cells) if not cell]
        if empty == list(at):
            return heading
    return ""


def _has_codes(f: Filling) -> bool:
    return f.wide is not None or f.has("code") or f.has("spn") or f.has("ecu")


def _struck_rows(f: Filling) -> None:
    """Ask what rows with struck-out text mean; without an answer they are refused."""
    if not f.seen.struck:
        return
    question = Question(
        "struck",
        worded(
            "{n_struck:,} rows are struck out, wholly or in part. Do they count?",
            n_struck=len(f.seen.struck),
        ),
        (
            Choice("leave", worded("no: such rows are left out")),
            Choice("read", worded("yes: they are read like the others, struck-out text too")),
        ),
        f.seen.struck[:3],
        unasked="leave",
    )
    f.decision.table_keys["struck"] = f.asker.choose(question)


def _saying(f: Filling, kinds: _Kinds, but: Sequence[str] = ()) -> tuple[Profile, list[str]] | None:
    """Find a column of a few words that marks such rows; ``but``: roles of columns that do not."""
    texts = {f.roles[r].heading for r in (*_TEXTS, *but) if f.has(r)}
    for profile in f.sight.profiles:
        is_wordy = len(profile.values) > _FEW or any(
            len(v.split()) > _MOST_WORDS for v in profile.values
        )
        if profile.heading in texts or is_wordy:
            continue
        words = [v for v in profile.values if _kind(f, kinds, v) in kinds.odd]
        if words:
            return profile, words
    return None


def _part_cleared(f: Filling, profile: Profile, words: list[str]) -> None:
    choices = (
        Choice("clears", worded("codes were cleared: such rows become clears")),
        Choice("scans", worded("codes were read, as in the other rows")),
        Choice("leave", worded("nobody knows: such rows are left out")),
    )
    decided = _decided(f, profile, words, _EVENTS)
    answer = _ask(f, profile, words, worded("What happened then?"), choices, ("leave", decided))
    if answer == "scans":
        return
    _drop(f, profile, words)
    if answer == "clears":
        f.decision.more.append(Decision("clears", f.decision.sure))


def _flagged_as_cleared(f: Filling) -> tuple[Profile, list[str]] | None:
    """Find a column that says yes or no to codes having been cleared."""
    for profile in f.sight.profiles:
        flags = {v: f.sight.words.of_word("flag", v) for v in profile.values}
        yes = [v for v, flag in flags.items() if flag == "yes"]
        if (
            yes
            and all(flags.values())
            and (f.sight.words.of_beginning("event", profile.heading, anywhere=True) == "cleared")
        ):
            return profile, yes
    return None


def _clear_after_reading(f: Filling, profile: Profile, words: list[str]) -> None:
    choices = (
        Choice("both", worded("yes, when they had been read: such rows are clears, too")),
        Choice("scans", worded("nobody knows: codes were read, and no more is taken")),
    )
    if (
        _ask(f, profile, words, worded("Were codes cleared then?"), choices, ("scans", None))
        == "both"
    ):
        keys: dict[str, object] = {"keep_where": {profile.heading: _any_of(words)}}
        f.decision.more.append(Decision("clears", f.decision.sure, table_keys=keys))


def _leave_or_take(
    f: Filling, profile: Profile, words: list[str], kinds: _Kinds, what: str
) -> None:
    choices = (
        Choice("leave", worded("no: such rows are left out")),
        Choice("take", worded("yes, as in the other rows")),
    )
    decided = _decided(f, profile, words, kinds)
    if _ask(f, profile, words, what, choices, ("leave", decided)) == "leave":
        _drop(f, profile, words)


def _ask(
    f: Filling,
    profile: Profile,
    words: Sequence[str],
    what: str,
    choices: tuple[Choice, ...],
    otherwise: tuple[str, Decided | None],
) -> str:
    """Ask what rows are that have one of some words in a column; show the first of them.

    ``otherwise``: what is taken where it is not asked, and what the file says itself.
    """
    unasked, decided = otherwise
    rows = f.rows_where(profile, words)
    said = worded(
        "Some rows say {word!r} under {heading!r}. {what}",
        word=words[0],
        heading=profile.heading,
        what=what,
    )
    return f.asker.choose(Question("rows", said, choices, rows, unasked, decided))


def _drop(f: Filling, profile: Profile, words: Sequence[str]) -> None:
    f.decision.table_keys["drop_where"] = {profile.heading: _any_of(words)}
    f.dropped |= set(words)


def _any_of(words: Sequence[str]) -> str:
    return f"^(?:{'|'.join(map(re.escape, words))})$"


def fill_parted(f: Filling) -> None:
    """Make clears from the separated rows, with the columns of the readings."""
    for more in f.decision.more:
        kept = more.table_keys.get("keep_where") or f.decision.table_keys["drop_where"]
        more.table_keys = {k: v for k, v in f.decision.table_keys.items() if k == "fill_down"} | {
            "keep_where": kept
        }
        own = {**dict.fromkeys(WHOSE, ""), "scanned_at": "cleared_at", "odometer_km": ""}
        more.columns = [
            Taken(own[t.column] or t.column, t.spec, t.sure, t.reason)
            for t in f.decision.columns
            if t.column in own
        ]
        if unit := unit_cleared(f):  # empty would mean all of them
            more.columns.append(unit)
