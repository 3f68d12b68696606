"""Lines within a table that head a group of its rows, found by what they say.

A line of one cell, or one that names a vehicle while no column does, is no row: it says whose the
rows below it are, or when, or where.  Its parts are told apart as a person would: by a label, or by
their form (a known vehicle, a day, a distance with its unit, a code).  The patterns that come of it
are held against the file: they must take these lines and no other, and each must have rows below.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from afterclear.catalogue.folded_words import without_accents, words_of
from afterclear.readers.maps.group_lines import BETWEEN, GroupLines, line_text
from afterclear.readers.maps.heading_words import EXACT, HeadingWords
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.maps.source_table import LINE, Cells, frame_of, plain_heading
from afterclear.readers.suggest.columns.date_formats import clock_column, time_column
from afterclear.readers.suggest.columns.numbers import parted
from afterclear.readers.suggest.columns.profiles import (
    Known,
    Profile,
    heading_meanings,
    is_codes,
    is_vin,
)
from afterclear.readers.suggest.columns.readings import WHOSE
from afterclear.readers.suggest.evidence.footers import footer_word
from afterclear.readers.suggest.evidence.table_seen import Seen

_KINDS = {"delimited", "fixed", "workbook", "html", "pdf"}
_SEVERAL = 2
_A_ROW = 3  # cells
_LIKELY = 0.5
_LABEL_WORDS = 3
_PART = re.compile(r"(\s{2,}|\s*\|\s*|\s*[;\u00b7\u2022]\s*|\s+[\u2013\u2014-]\s+|,\s+)")
_LABELLED = re.compile(r"([^:=]{2,40}?)\s*[:=]\s*(\S.*)")
_ORDER_NUMBER = re.compile(r"(?=\S*\d)[\w./-]{3,20}")
# What a label may mean to be one: a word such as *read* or *by* may begin any text.
_LABELS = {
    *(*WHOSE, "repair_id", "scan_id", "scanned_at", "repaired_at", "cleared_at", "time_of_day"),
    *("odometer_km", "odometer_mi", "engine_hours", "technician", "site", "make", "model"),
}


@dataclass(frozen=True, slots=True)
class _Part:
    """One thing that a line says: the column it makes, its pattern, what it means."""

    name: str
    pattern: str
    role: str


def with_groups(seen: Seen, words: HeadingWords, known: Known) -> None:
    """Make columns of what lines say that head groups of a table's rows, if it has such lines."""
    names = [name for name in seen.frame.columns if name != LINE]
    if seen.kind not in _KINDS or len(names) < _A_ROW:
        return
    rows = [(row[-1], row[:-1]) for row in seen.frame.select([*names, LINE]).iter_rows()]
    finder = _Finder(names, words, known, rows)
    heads = finder.heads(rows)
    above = finder.heads(seen.rows_above) if heads and finder.is_of_vehicles else {}
    if len(heads) + bool(above) < _SEVERAL:
        return
    above = {at: head for at, head in above.items() if head[1]}  # a title is none
    with_vehicles = {at: head for at, head in heads.items() if head[1]}
    for own in (heads, with_vehicles):
        patterns = finder.patterns([*above.values(), *own.values()])
        frame = _grouped(patterns, names, seen.rows_above, rows, set(own)) if own else None
        if frame is not None:
            seen.frame = frame
            seen.table_keys["group"] = patterns
            return


def _grouped(
    patterns: Sequence[str],
    names: list[str],
    above: Sequence[tuple[int, Cells]],
    rows: Sequence[tuple[int, Cells]],
    heads: set[int],
) -> pl.DataFrame | None:
    """Read the rows by these patterns; None: they take other lines, or some rows have no head."""
    groups = GroupLines(patterns, names, "")
    is_headed = bool([cells for _, cells in above if groups.take(cells)])
    kept: list[tuple[int, Cells]] = []
    was_head = False
    for at, (line, cells) in enumerate(rows):
        if groups.take(cells) != (at in heads):
            return None
        was_head, is_headed = at in heads, is_headed or at in heads
        if at in heads:
            continue
        if not is_headed:
            return None
        kept.append((line, [*cells, *groups.cells]))
    return None if was_head or not kept else frame_of([*names, *groups.names], kept)


class _Finder:
    """Finds the lines that head groups among a table's rows."""

    def __init__(
        self,
        names: list[str],
        words: HeadingWords,
        known: Known,
        rows: Sequence[tuple[int, Cells]],
    ) -> None:
        self._words, self._known = words, known
        self._taken = {plain_heading(name) for name in names}
        self._headings = {frozenset(words_of(name)) for name in names}
        columns = zip(names, *(cells for _, cells in rows), strict=True) if rows else ()
        # no column names a vehicle: lines may
        self.is_of_vehicles = not any(self._names_vehicles(*column) for column in columns)

    def _names_vehicles(self, heading: str, *cells: str | None) -> bool:
        meant = heading_meanings(heading, self._words)
        filled = [c for c in cells if c and c.strip()]
        n_known = sum(bool(self._known.role_of(text)) for text in filled)
        is_meant = max((meant.get(role, 0.0) for role in WHOSE), default=0.0) >= _LIKELY
        return bool(filled) and (is_meant or n_known > len(filled) / 2)

    def heads(self, rows: Sequence[tuple[int, Cells]]) -> dict[int, tuple[str, list[_Part]]]:
        """Give the lines that head groups: place -> (text, parts)."""
        found = {}
        for at, (_, cells) in enumerate(rows):
            text = line_text(cells)
            if not text or footer_word(text) or self._is_heading(cells):
                continue
            parts = list(self._parts(text)) if self.is_of_vehicles else []
            if any(part.role in WHOSE for part in parts):
                found[at] = (text, parts)
            elif BETWEEN not in text and any(map(str.isalpha, text)):
                found[at] = (text, [])
        return found

    def _is_heading(self, cells: Cells) -> bool:
        return sum(frozenset(words_of(c or "")) in self._headings for c in cells if c) > 1

    def patterns(self, heads: Sequence[tuple[str, list[_Part]]]) -> list[str]:
        """Write the patterns of some lines, the one of most parts first."""
        found: dict[str, int] = {}
        for text, parts in heads:
            if parts:
                between = [_between(mark) for mark in _PART.findall(text)]
                written = "".join(
                    p.pattern + gap for p, gap in zip(parts, [*between, ""], strict=True)
                )
                found[f"^{written}$"] = len(parts)
        alone = [text for text, parts in heads if not parts]
        if alone:
            is_site = all(self._label(text, {"site"}) for text in alone)
            name = self._own_name("site" if is_site else "group")
            found[rf"^(?P<{name}>[^|]*[^\W\d][^|]*)$"] = 0
        return sorted(found, key=lambda pattern: -found[pattern])

    # --- one line ---------------------------------------------------------------------------

    def _parts(self, text: str) -> Iterator[_Part]:
        used: set[str] = set()
        for n, piece in enumerate(_PART.split(text)[::2]):
            part = self._part(piece, is_first=n == 0)
            name = self._own_name(part.name)
            while name in used:
                name = f"{name}_2"
            used.add(name)
            yield _Part(name, part.pattern.replace("(?P<>", f"(?P<{name}>"), part.role)

    def _part(self, piece: str, *, is_first: bool) -> _Part:
        """Understand one part; its pattern has a group without a name yet."""
        if labelled := _LABELLED.fullmatch(piece):
            label = labelled[1]
            return _Part(_group(label), rf"{_loose(label)}\s*[:=]\s*(?P<>\S.*?)", self._role(label))
        if role := self._known.role_of(piece):
            first, _, rest = piece.partition(" ")
            is_named = rest and first.isalpha()
            return _Part(role, rf"(?P<>{_loose(first)}\s+\S.*?)" if is_named else r"(?P<>\S+?)"
                         if " " not in piece else r"(?P<>\S.*?)", role)  # fmt: skip
        if label := self._label(piece, _LABELS):
            return _Part(_group(label), rf"{_loose(label)}\s+(?P<>\S.*?)", self._role(label))
        return self._by_form(piece, is_first=is_first)

    def _by_form(self, piece: str, *, is_first: bool) -> _Part:
        alone = Profile("", 0, [piece], {})
        number = parted(piece)
        if is_vin(piece):
            return _Part("vin", r"(?P<>\w{17})", "vin")
        is_distance = number and WRITTEN.get(number.unit, "") in {"km", "mi", "1000 km"}
        is_number = is_first and bool(_ORDER_NUMBER.fullmatch(piece))
        has_digit = any(map(str.isdigit, piece))
        forms = (
            (is_distance, _Part("odometer", r"(?P<>\d[^|A-Za-z]*\s*[A-Za-z]+\.?)", "odometer_km")),
            (has_digit and time_column(alone), _Part("date", r"(?P<>\S.*?)", "when")),
            (clock_column(alone), _Part("time", r"(?P<>\d\S*(?:\s\w+)?)", "time_of_day")),
            (is_codes(piece), _Part("codes", r"(?P<>\S.*?)", "code")),
            (is_number, _Part("order_no", r"(?P<>\S+)", "repair_id")),
        )
        return next((part for fits, part in forms if fits), _Part("text", r"(?P<>\S.*?)", ""))

    def _label(self, piece: str, roles: set[str]) -> str:
        """Give the first words of a text if they are a label for what follows; empty: none are."""
        texts = piece.split()
        for n in range(min(_LABEL_WORDS, len(texts) - 1), 0, -1):
            label = " ".join(texts[:n])
            meant = self._words.of_heading(label)
            if any(meant.get(role, 0.0) >= EXACT for role in roles):
                return label
        return ""

    def _role(self, label: str) -> str:
        meant = heading_meanings(label, self._words)
        best = max(meant, key=lambda role: meant[role], default="")
        return best if best and meant[best] >= _LIKELY else ""

    def _own_name(self, name: str) -> str:
        """Name a column as no heading of the table is called."""
        return f"{name}_above" if plain_heading(name.replace("_", " ")) in self._taken or (
            plain_heading(name) in self._taken) else name  # fmt: skip


def _between(mark: str) -> str:
    return rf"\s*{re.escape(mark.strip())}\s*" if mark.strip() else r"\s{2,}"


def _loose(text: str) -> str:
    return r"\s+".join(map(re.escape, text.split()))


def _group(label: str) -> str:
    name = re.sub(r"[^a-z0-9]+", "_", without_accents(label.casefold())).strip("_")
    return name if name[:1].isalpha() else f"x_{name}"
