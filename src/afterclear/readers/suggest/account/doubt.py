"""What a file is held against, and the ways in which a doubt about it is asked."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.folded_words import words_of
from afterclear.catalogue.names_in_text import plain_id
from afterclear.errors import worded
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.column_choice import Decision, one_of
from afterclear.readers.suggest.columns.profiles import Known, Profile, profiles_of
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.evidence.source_file import SourceFile
from afterclear.readers.suggest.evidence.table_seen import LOOKED_AT, Seen
from afterclear.records import PlainRows, ReadFile

_LONGEST = 160  # letters of a row that is shown
_SHOWN = 3
WHOSE = ("vehicle_id", "_vin", "_plate")  # what of a row names its vehicle
_COLUMNS = 4  # of a table whose rows are more than a remark


@dataclass(frozen=True, slots=True)
class Instead:
    """What a doubt is about, as far as it can be left out."""

    means: str
    cell: tuple[str, tuple[str, ...]] | None = None  # a heading, and the cells of such rows
    columns: tuple[str, ...] = ()  # plain columns


def says_cleared(text: str, words: HeadingWords) -> bool:
    """Whether a text says that something was cleared."""
    return any(words.of_word("cell", word) == "cleared" for word in words_of(text))


def rows_left_out(heading: str, *cells: str) -> Instead:
    """Leave out the rows that have one of some cells; the first is named."""
    means = worded(
        "nobody knows: rows with {cell!r} under {heading!r} are left out",
        heading=heading,
        cell=cells[0],
    )
    return Instead(means, (heading, tuple(dict.fromkeys(cells))))


@dataclass
class Account:
    """A file, the map that was suggested for it, and the rows it makes."""

    seen: Seen
    decision: Decision
    source: SourceFile
    words: HeadingWords
    known: Known
    units: ControlUnits
    asker: Asker
    read: ReadFile

    @cached_property
    def profiles(self) -> list[Profile]:
        """The columns of the table as it was found."""
        return profiles_of(self.seen.frame, self.words, self.seen.units)

    @cached_property
    def stored(self) -> list[dict[str, Any]]:
        """The first rows that would be stored."""
        parts = [part for part in self.read.parts if isinstance(part, PlainRows)]
        return [
            {**row, "_into": part.table}
            for part in parts
            for row in part.frame.head(LOOKED_AT).iter_rows(named=True)
        ]

    @cached_property
    def lines(self) -> set[int]:
        """The lines that became a row or were refused."""
        stored = {row["_line"] for row in self.stored if row["_line"] is not None}
        return stored | {r.line for r in self.read.rejections if r.line is not None}

    def vehicle_names(self, row: Mapping[str, Any]) -> set[str]:
        """List all names of the vehicle that a row is stored for, as they are compared."""
        told = (plain_id(str(row[name])) for name in WHOSE if row.get(name))
        return {name for own in told for name in self.known.names_of(own)}

    @cached_property
    def remarks(self) -> set[int]:
        """The lines of which one cell is filled: a remark in the place of a row is no row."""
        columns = [p.cells for p in self.profiles]
        if len(columns) < _COLUMNS:
            return set()
        filled = (sum(map(bool, row)) for row in zip(*columns, strict=True))
        numbers = self.seen.frame[LINE].to_list()
        return {line for line, n in zip(numbers, filled, strict=True) if n == 1}

    @property
    def tables(self) -> Iterator[Decision]:
        """The tables that are made."""
        yield self.decision
        yield from self.decision.more

    def row_text(self, at: int, first: Profile | None = None) -> str:
        """Write a row of the source as a person would read it out; ``first``: begin with it."""
        columns = [p for p in (first, *(p for p in self.profiles if p is not first)) if p]
        is_tree = self.seen.kind in {"json", "xml"}
        cells = [
            f"{p.heading.rpartition('.')[2] if is_tree else p.heading}: {p.cells[at]}"
            for p in columns
            if p.cells[at]
        ]
        return ", ".join(cells)[:_LONGEST]

    def rows_at(self, places: Sequence[int], first: Profile | None = None) -> tuple[str, ...]:
        """Write some rows of the source."""
        return tuple(self.row_text(at, first) for at in places[:_SHOWN])

    def rows_by(self, profile: Profile) -> tuple[str, ...]:
        """Write the first row of each value of a column."""
        return self.rows_at([profile.cells.index(value) for value in profile.values], profile)

    def rows_of_lines(self, lines: Sequence[int]) -> tuple[str, ...]:
        """Write the rows of the source that stand in some lines."""
        numbers = self.seen.frame[LINE].to_list()
        wanted = dict.fromkeys(lines)
        return self.rows_at([numbers.index(line) for line in wanted if line in numbers])

    def is_spoken_of(self, *texts: str) -> bool:
        """Whether a question or a note speaks of one of these already."""
        told = [*self.decision.notes, *self.seen.notes, *self.seen.heard, *self.asker.notes]
        for question in (*self.asker.asked.values(), *(q for q, _ in self.asker.decided.values())):
            told += [question.text, *question.words, *(c.means for c in question.choices)]
        words = [_in_words(each) for each in told]
        return any(said and any(said in each for each in words) for said in map(_in_words, texts))

    def ask_whether_fine(
        self,
        key: str,
        text: str,
        fine: str,
        rows: Sequence[str],
        instead: Instead | None = None,
    ) -> None:
        """Ask about a doubt; unless a person says that all is well nothing is loaded.

        ``instead``: what it is about may be left out, and the rest is loaded.
        """
        stop = worded(
            "it is otherwise, or nobody knows: nothing is loaded; a map of your own can say it"
        )
        choices = [Choice("fine", fine), Choice("stop", stop)]
        if instead is not None:
            choices.insert(1, Choice("leave", instead.means))
        word = self._choose(Question(key, text, tuple(choices), tuple(rows), unasked="stop"))
        if instead is not None and word == "leave":
            if instead.cell:
                self._leave_out(*instead.cell)
            for table in self.tables:
                table.columns = [t for t in table.columns if t.column not in instead.columns]

    def ask_whether_so(
        self, key: str, text: Callable[[str, str], str], profile: Profile, places: Sequence[int]
    ) -> None:
        """Ask whether some cells are as they would be taken; else their rows may be left out.

        ``text``: the question, of the first of the cells and the heading.
        """
        heading, cells = profile.heading, [profile.cells[at] for at in places]
        self.ask_whether_fine(
            key,
            text(cells[0][:60], heading),
            worded("yes: it is so"),
            self.rows_at(places, profile),
            rows_left_out(heading, *cells),
        )

    def ask_whether_rows_count(
        self, key: str, text: str, profile: Profile, places: Sequence[int]
    ) -> None:
        """Ask whether some rows count like the others."""
        stop = worded("nobody knows: nothing is loaded; a map of your own can say it")
        choices = (
            Choice("leave", worded("no: such rows are left out")),
            Choice("take", worded("yes, as the other rows")),
            Choice("stop", stop),
        )
        rows = self.rows_at(places, profile)
        question = Question(key, text, choices, rows, unasked="stop")
        if self._choose(question) == "leave" and key in self.asker.answers:
            self._leave_out(profile.heading, [profile.cells[at] for at in places])

    def _leave_out(self, heading: str, cells: Sequence[str]) -> None:
        """Leave out the rows that have one of some cells under a heading."""
        own = {heading: one_of(cells)}
        for table in self.tables:
            table.table_keys["drop_where"] = _with(table.table_keys.get("drop_where"), own)

    def _choose(self, question: Question) -> str:
        word = self.asker.choose(question)
        if word == "stop":
            self.decision.missing.append(
                worded(
                    "{question} Nobody said so; say what it means in a map of your own, as "
                    "help/imports.md tells",
                    question=question.text,
                )
            )
        return word


def _in_words(text: str) -> str:
    return " ".join(re.findall(r"\w+", text))


def _with(dropped: object, own: Mapping[str, str]) -> dict[str, str]:
    """Add a pattern of rows that are left out to those of the same column."""
    joined = dict(dropped) if isinstance(dropped, Mapping) else {}
    for heading, pattern in own.items():
        before = joined.get(heading)
        joined[heading] = f"{before}|{pattern}" if before else pattern
    return joined
