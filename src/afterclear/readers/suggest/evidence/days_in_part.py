"""Days without a year, and months without a day: what stands above the table makes them whole.

A year follows from the period a line above tells.  Which day of the month is meant, a line says
(*as at the last of the month*), or a person is asked.
"""

import re
from collections.abc import Iterator

import polars as pl

from afterclear.catalogue.folded_words import without_accents
from afterclear.errors import worded
from afterclear.readers.mapped.whole_days import (
    is_day_without_year,
    is_month,
    made_whole,
    period_in,
)
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.date_formats import time_column
from afterclear.readers.suggest.columns.profiles import Profile, heading_meanings, profiles_of
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.evidence.table_seen import Seen

_LIKELY = 0.5
_DAY = r"\d{1,2}[./-]\d{1,2}[./-]\d{4}|\d{4}-\d{2}-\d{2}"
_PERIOD = rf"({_DAY})\D{{1,12}}({_DAY})"
_TIMES = ("scanned_at", "repaired_at", "cleared_at")
_MONTHS = re.compile(r"\b(?:months?|monate?|mois|mes|mies(?:iac)?)\b")
# common practice, no source
_LAST = re.compile(
    r"monatsletzt|monatsende|letzte\w* (?:tag|des monats)|ultimo"
    r"|last (?:day )?of (?:the |each )?month|last day of|end of (?:the |each )?month|month.?end"
    r"|fin (?:de|du) mois|dernier jour"
    r"|fin de(?:l)? mes|ultimo dia|ostatni\w* dzien|ostatniego dnia|koniec miesiaca|koncu miesiaca"
)
_FIRST = re.compile(
    r"monatserst|monatsanfang|erste\w* (?:tag|des monats)|first (?:day )?of (?:the |each )?month"
    r"|first day of|(?:begin\w*|start) of (?:the |each )?month|debut (?:de|du) mois|premier jour"
    r"|(?:inicio|principio) de(?:l)? mes|primer dia|pierwsz\w* dzien|pierwszego dnia"
    r"|poczatek miesiaca|poczatku miesiaca"
)


def with_whole_days(seen: Seen, words: HeadingWords, asker: Asker) -> None:
    """Make days whole that a column of the table tells in part, if nothing else tells a time."""
    if "rows" in seen.table_keys or seen.kind == "text":
        return
    profiles = profiles_of(seen.frame, words)
    if any(_is_time(p) for p in profiles):
        return
    for profile in profiles:
        meant = heading_meanings(profile.heading, words)
        is_headed = max((meant.get(name, 0.0) for name in _TIMES), default=0.0) >= _LIKELY
        if is_headed and profile.values and all(map(is_day_without_year, profile.values)):
            _take_period(seen, profile)
            return
        plain = without_accents(profile.heading)
        is_of_months = is_headed or bool(_MONTHS.search(plain))
        if is_of_months and profile.values and all(map(is_month, profile.values)):
            _take_day_of_month(seen, profile, asker)
            return


def _is_time(profile: Profile) -> bool:
    return any(any(map(str.isdigit, v)) for v in profile.values[:20]) and (
        time_column(profile) is not None
    )


def _take_period(seen: Seen, profile: Profile) -> None:
    if period_in(seen.title, _PERIOD) is None:
        return
    seen.heard += [line for line in seen.title.splitlines() if re.search(_PERIOD, line)]
    _rewrite(seen, "days_within", {profile.heading: _PERIOD})


def _take_day_of_month(seen: Seen, profile: Profile, asker: Asker) -> None:
    said = dict(_said(seen))
    if len(said) == 1:
        which, line = next(iter(said.items()))
        seen.heard.append(line)
    else:
        which = asker.choose(_which_day(profile))
    if which != "refuse":
        _rewrite(seen, "month_days", {profile.heading: which})


def _said(seen: Seen) -> Iterator[tuple[str, str]]:
    """Give which day of a month a line above the table names, with the line."""
    for line in seen.title.splitlines():
        plain = without_accents(line)
        for which, pattern in (("last", _LAST), ("first", _FIRST)):
            if pattern.search(plain):
                yield which, line


def _which_day(profile: Profile) -> Question:
    return Question(
        "month-day",
        worded(
            "Under {heading!r} stand months without a day, such as {month}. Which day is meant?",
            heading=profile.heading,
            month=profile.values[0],
        ),
        (
            Choice("last", worded("the last day of the month")),
            Choice("first", worded("the first day of the month")),
            Choice("refuse", worded("nobody knows: nothing is loaded")),
        ),
        tuple(f"{profile.heading}: {value}" for value in profile.values[:3]),
        unasked="refuse",
    )


def _rewrite(seen: Seen, key: str, said: dict[str, str]) -> None:
    """Make the table's days whole as its map will, and say so in the map."""
    keys = (said, {}) if key == "days_within" else ({}, said)
    line = seen.frame[LINE]
    made = made_whole(seen.frame, keys, seen.title, "the file")
    seen.frame = made.with_columns(pl.Series(LINE, line))
    seen.table_keys[key] = said
