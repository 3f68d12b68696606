"""Tables that mix kinds of rows: a column says which row is a reading, a clearing or a repair.

Each kind becomes a table of its own, mapped by what its rows hold: a column that is empty in all
of them belongs to the others.  Without such a column the rows do not differ, and the table is of
one kind (``decisions/other_rows.py``).
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from afterclear.errors import worded
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.columns.code_columns import side_by_side
from afterclear.readers.suggest.columns.column_choice import one_of
from afterclear.readers.suggest.columns.profiles import Profile, has_code
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.columns.readings import Reading
from afterclear.readers.suggest.columns.role_tests import Sight
from afterclear.readers.suggest.evidence.table_seen import Seen

_MOST = 12  # distinct words of a column of kinds
_TABLES: Mapping[str, str] = {"read": "scans", "cleared": "clears", "repaired": "repairs"}
_OF_PARTS = ("part_number", "part_name", "part_cost", "labour_cost", "total_cost", "action")
_OF_CODES = ("code", "spn", "status")
# What rows of a kind do not have; where one has it, nobody but a person knows what it is.
_STRANGE: Mapping[str, tuple[str, ...]] = {"scans": _OF_PARTS, "clears": (*_OF_PARTS, *_OF_CODES)}
_OF_MEMORY = ("code", "spn", "fmi", "ecu", "status")
_FILLED = r"\S"
_SHOWN = 3


@dataclass(slots=True)
class KindOfRows:
    """The rows of one kind: their table, the column and words that tell them, what they hold."""

    table: str
    heading: str
    words: tuple[str, ...]
    seen: Seen
    but: tuple[str, ...] = ()  # rows with something under these headings are left out

    def keys(self, own: Mapping[str, object]) -> dict[str, object]:
        """Add to a table's keys in the map which rows are its own."""
        keys = {**own, "keep_where": {self.heading: one_of(self.words)}}
        drops = own.get("drop_where")
        if self.but:
            others = drops if isinstance(drops, Mapping) else {}
            keys["drop_where"] = {**others, **dict.fromkeys(self.but, _FILLED)}
        return keys


def kinds_of_rows(
    seen: Seen, sight: Sight, profile: Profile, roles: Mapping[str, Reading], asker: Asker
) -> tuple[list[KindOfRows], list[str]]:
    """Part a table's rows by the column that names their kinds.

    Also gives what is missing before the rows can be taken.
    """
    told = {v: _table_of(sight.words, v) for v in profile.values}
    tables = [t for t in _TABLES.values() if t in told.values()]
    words = {t: tuple(v for v, own in told.items() if own == t) for t in tables}
    # a map without its column would read the codes of a later file as clean
    of_codes = {roles[role].heading for role in _OF_MEMORY if role in roles}
    kept = {"scans": of_codes | {p.heading for p in sight.profiles if p.means("code", "ecu")}}
    kinds = [
        _of_words(seen, profile, words[table], (table, kept.get(table, set()))) for table in tables
    ]
    missing = [*_ask_unknown(sight, profile, told, asker)]
    for kind in kinds:
        missing += _ask_strange(kind, sight, profile, roles, asker)
    return kinds, missing


def _table_of(words: HeadingWords, value: str) -> str:
    return _TABLES.get(words.of_word("row_kind", value) or "", "")


def column_of_kinds(seen: Seen, sight: Sight) -> Profile | None:
    """Find the column of kinds: repairs and another one, with columns that only one kind fills."""
    for profile in sight.profiles if seen.kind != "text" else ():
        told = {v: _table_of(sight.words, v) for v in profile.values[: _MOST + 1]}
        tables = {table for table in told.values() if table}
        is_of_kinds = "repairs" in tables and len(tables) > 1 and len(told) <= _MOST
        if is_of_kinds and _parts_columns(sight, profile, told):
            return profile
    return None


def _parts_columns(sight: Sight, profile: Profile, told: Mapping[str, str]) -> bool:
    """Whether the repairs have a column that is empty in most other rows, or these one."""
    is_work = [told.get(cell) == "repairs" for cell in profile.cells]
    n_work, n_others = sum(is_work), len(is_work) - sum(is_work)

    def is_of_one(p: Profile) -> bool:
        filled = [at for at, cell in enumerate(p.cells) if cell]
        work = sum(is_work[at] for at in filled)
        others = len(filled) - work
        return bool(filled) and (2 * work * (not others) >= n_work or (not work and others > 0))

    return n_work > 0 and n_others > 0 and any(map(is_of_one, sight.profiles))


def _of_words(
    seen: Seen, profile: Profile, words: tuple[str, ...], about: tuple[str, set[str]]
) -> KindOfRows:
    """Take the rows of some words, without the columns that are empty in all of them.

    ``about``: their table, and the columns that are kept though they are empty.
    """
    table, kept = about
    rows = seen.frame.filter(pl.Series([cell in words for cell in profile.cells], dtype=pl.Boolean))
    empty = [
        name
        for name in rows.columns
        if name not in kept
        and rows[name].dtype == pl.String
        and not rows[name].fill_null("").str.strip_chars().ne("").any()
    ]
    own = rows.drop(profile.heading, *(name for name in empty if name != profile.heading))
    return KindOfRows(table, profile.heading, words, replace(seen, frame=own))


def _ask_unknown(
    sight: Sight, profile: Profile, told: Mapping[str, str], asker: Asker
) -> Iterator[str]:
    """Ask about rows of a kind that no word is known for, or that name none."""
    unknown = [at for at, cell in enumerate(profile.cells) if not told.get(cell)]
    if not unknown:
        return
    question = Question(
        "kinds",
        worded(
            "The column {heading!r} says of what kind a row is, and {word!r} is no kind that is "
            "known. What of such rows?",
            heading=profile.heading,
            word=profile.cells[unknown[0]],
        ),
        (
            Choice("leave", worded("they are of another matter: such rows are left out")),
            Choice("stop", worded("nobody knows: nothing is loaded")),
        ),
        _rows(sight, unknown),
        unasked="stop",
    )
    yield from _stopped(question, asker)


def _ask_strange(
    kind: KindOfRows, sight: Sight, profile: Profile, roles: Mapping[str, Reading], asker: Asker
) -> Iterator[str]:
    """Ask about clearings with a code and readings with a part."""
    headings = [*_strange_to(kind.table, sight, roles)]
    odd = [
        at
        for at, word in enumerate(profile.cells)
        if word in kind.words and any(sight.by_name[h].cells[at] for h in headings)
    ]
    if not odd:
        return
    kind.but = tuple(h for h in headings if any(sight.by_name[h].cells[at] for at in odd))
    question = Question(
        f"kinds:{kind.table}",
        worded(
            "Some rows say {word!r} under {heading!r} and have something under {other!r}, which "
            "such rows do not have. What of them?",
            word=profile.cells[odd[0]],
            heading=profile.heading,
            other=kind.but[0],
        ),
        (
            Choice("leave", worded("nobody knows: such rows are left out")),
            Choice("stop", worded("nobody knows: nothing is loaded")),
        ),
        _rows(sight, odd),
        unasked="stop",
    )
    yield from _stopped(question, asker)
    strange = [name for name in kind.but if name in kind.seen.frame.columns]
    is_plain = pl.all_horizontal(pl.col(n).fill_null("").str.strip_chars() == "" for n in strange)
    kind.seen = replace(kind.seen, frame=kind.seen.frame.filter(is_plain).drop(strange))


def _strange_to(table: str, sight: Sight, roles: Mapping[str, Reading]) -> Iterator[str]:
    """Name the columns that rows of a kind do not have."""
    named = {roles[role].heading for role in _STRANGE.get(table, ()) if role in roles}
    wide = side_by_side(sight) if table == "clears" else None
    named |= {*wide.headings} if wide else set()
    for profile in sight.profiles:
        is_code = table == "clears" and profile.values and all(map(has_code, profile.values))
        is_part = profile.means("part_number") > 0 and bool(profile.values)
        if profile.heading in named or is_code or (is_part and table in _STRANGE):
            yield profile.heading


def _stopped(question: Question, asker: Asker) -> Iterator[str]:
    if asker.choose(question) == "stop":
        yield worded("{question} Nobody said so.", question=question.text)


def _rows(sight: Sight, places: Sequence[int]) -> tuple[str, ...]:
    return tuple(sight.row_text(at) for at in places[:_SHOWN])
