"""Cells of a column that is used which do not look like the rest of it.

What a column is taken for holds for most of its cells; one that says *as above*, doubts itself,
denies itself or holds two facts would be stored as if it were one more of them.
"""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from afterclear.catalogue.folded_words import words_of
from afterclear.catalogue.names_in_text import plain_id
from afterclear.errors import Worded, worded
from afterclear.plain import TABLES
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.account.doubt import WHOSE, Account
from afterclear.readers.suggest.account.named_things import Thing, things_in
from afterclear.readers.suggest.columns.profiles import (
    Profile,
    code_words,
    id_shape,
    is_none_word,
    is_silent_word,
)

_REPEATED = re.compile(r"[\s\W]*[\"'\u201c\u201d\u201e\u201f\u3003,\u2019][\s\W]*")
_BETWEEN = re.compile(r"\s*[/,;+&\n]\s*|\s+(?:und|and|et|y|i|oder|or|ou|o|lub)\s+")
_RARE = 0.2  # share of a column's cells
_BOTH = 2
_ENOUGH = 3  # codes by which others are judged
_A_HINT = 3  # words of a cell that only says where to look
_FAILURE_TYPE = re.compile(r"(?:0x)?[0-9A-F]{2}", re.IGNORECASE)
_ASIDE = ""  # in the place of a plain column: none is filled from it
_NAMES = frozenset({"vehicle_id", "ecu", "part_number", "repair_id", "code"})
_SHORT = _NAMES | {"status", "odometer_km", *("scanned_at", "cleared_at", "repaired_at")}
_SAID = frozenset({"notes", "action"})
_WORDS = _SHORT | _SAID | {"description", "position", "part_brand"}


@dataclass(frozen=True, slots=True)
class _Odd:
    """A kind of odd cell: in which plain columns, and how a person is asked about it."""

    key: str
    columns: frozenset[str]
    is_odd: Callable[[str, "_Column"], bool]
    text: Callable[[str, str], Worded]  # of cell and heading


@dataclass(frozen=True)
class _Column:
    """A column that is used: for what, and its cells."""

    account: Account
    name: str  # of the plain column
    profile: Profile

    @cached_property
    def with_code(self) -> list[str]:
        """Its values that hold a code of a standard."""
        return [value for value in self.profile.values if code_words(value)]

    @cached_property
    def with_more(self) -> frozenset[str]:
        """Its values that hold one such code, and words beside it."""
        words = self.account.words
        return frozenset(value for value in self.with_code if _has_words_beside(value, words))


def ask_odd_cells(account: Account) -> None:
    """Ask about odd cells, one question a kind and column at most."""
    columns = list(_used(account))
    numbers = account.seen.frame[LINE].to_list()
    for kind in _KINDS:
        for column in columns:
            if column.name not in kind.columns:
                continue
            odd = {v for v in column.profile.values if kind.is_odd(v, column)}
            cells = column.profile.cells
            places = [at for at, cell in enumerate(cells) if cell in odd]
            places = [at for at in places if numbers[at] in account.lines - account.remarks]
            if not places or account.is_spoken_of(f"{cells[places[0]]!r}"):
                continue
            account.ask_whether_so(f"sense:{kind.key}", kind.text, column.profile, places)
            break


def _used(account: Account) -> Iterator[_Column]:
    by_name = {p.heading: p for p in account.profiles}
    met: defaultdict[str, set[str]] = defaultdict(set)
    for table in account.tables:
        for taken in table.columns:
            for heading in sorted(taken.headings & by_name.keys() - met[taken.column]):
                met[taken.column].add(heading)
                yield _Column(account, taken.column, by_name[heading])
    if account.decision.into == "repairs":
        used = {heading for own in met.values() for heading in own}
        yield from (_Column(account, _ASIDE, p) for h, p in by_name.items() if h not in used)


def _says_as_above(cell: str, column: _Column) -> bool:
    """Find ditto marks and words: which cell they repeat is not in the cell."""
    told = words_of(cell)
    if not told:
        return bool(_REPEATED.fullmatch(cell))
    words = column.account.words
    begin = (" ".join(told[:n]) for n in range(1, len(told)))
    is_hint = column.name in _SAID and len(told) <= _A_HINT  # VER-12 is a number
    is_other = is_hint and any(words.of_word("refers", each) for each in begin)
    return is_other or words.of_word("cell", cell) == "as_above"


def _doubts_itself(cell: str, column: _Column) -> bool:
    """Find a question mark behind a value; alone it says that nothing is known."""
    if column.name in _SAID and not cell.endswith("?"):
        return False  # a sentence may ask and answer
    return "?" in cell and any(map(str.isalnum, cell)) and not _is_usual("?", column)


def _denies(cell: str, column: _Column) -> bool:
    """Find a word of denial, of what does not count, or of silence beside a value."""
    words = column.account.words
    if is_none_word(cell) or is_silent_word(cell, words) or words.of_word("ecu", cell):
        return False
    if column.name == "status" and words.of_word("status", cell):
        return False
    told = re.findall(r"\w+", cell)
    if len(told) < _BOTH:
        return False
    denied = any(words.of_word("cell", word) == "denied" for word in told)
    return denied or bool(words.of_beginning("doubt", cell, anywhere=True))


def _holds_two(cell: str, column: _Column) -> bool:
    """Find two facts where others have one: each piece looks like a whole cell."""
    pieces = [piece for piece in _BETWEEN.split(cell) if piece.strip()]
    if len(pieces) < _BOTH or (column.name == "code" and code_words(cell)):
        return False
    marks = _BETWEEN.findall(cell)
    if any(_is_usual(mark.strip(), column) for mark in marks if mark.strip()):
        return False
    if column.name == "ecu":
        units = column.account.units
        named = {units.named(piece) for piece in pieces}
        return None not in named and len(named) > 1
    others = [v for v in column.profile.values if v != cell]
    shapes = {id_shape(v) for v in others} - {""}
    if column.name == "part_number" and len({id_shape(piece) for piece in pieces} | {""}) == _BOTH:
        return True  # as like each other as two of a kind
    return all(piece in others or id_shape(piece) in shapes for piece in pieces)


def _is_longer(cell: str, column: _Column) -> bool:
    """Find a known vehicle's name with more beside it: a remark, or another vehicle."""
    known = column.account.known
    if known.role_of(cell):
        return False
    own = plain_id(cell)
    return any(kind == "vehicle" and name != own for kind, name in things_in(cell, known))


def _is_other_number(cell: str, column: _Column) -> bool:
    """Find a distance with decimals among whole ones, where they are one in many."""
    is_decimal = re.compile(r"\d+[.,]\d{1,2}\s*(?:km|mi)?", re.IGNORECASE)
    if not is_decimal.fullmatch(cell):
        return False
    decimal = [v for v in column.profile.values if is_decimal.fullmatch(v)]
    return len(decimal) <= _RARE * len(column.profile.values)


def _is_below_zero(cell: str, column: _Column) -> bool:
    """Find an amount below zero, or a quantity of none: something is taken back."""
    text = cell.strip("\u20ac$\u00a3 ")
    if column.name == "quantity" and text.strip("0.,") == "" and text:
        return True
    return bool(re.fullmatch(r"[-\u2212]\s*\d[\d.,' ]*|\(\d[\d.,' ]*\)|\d[\d.,' ]*-", text))


def _is_no_unit(cell: str, column: _Column) -> bool:
    """Find what is no known control unit where a cleared memory's unit is named."""
    account = column.account
    if account.decision.into != "clears" or account.words.of_word("ecu", cell):
        return False
    named = [v for v in column.profile.values if account.units.named(v) is not None]
    return bool(named) and account.units.named(cell) is None


def _is_said_of_unit(cell: str, column: _Column) -> bool:
    """Find a unit with a colon and more behind it, where no other is written so."""
    others = [v for v in column.profile.values if v != cell]
    unit, colon, said = cell.partition(":")
    is_told = bool(colon) and bool(said.strip()) and column.account.units.named(unit) is not None
    return is_told and len(others) >= _ENOUGH and not any(":" in v for v in others)


def _is_of_clearing(cell: str, column: _Column) -> bool:
    """Find a word of clearing where other rows say what was done to a part."""
    account = column.account
    is_clear = account.words.of_beginning("event", cell, anywhere=True) == "cleared"
    return is_clear and account.decision.into == "repairs"


def _is_more_than_code(cell: str, column: _Column) -> bool:
    """Find a code with words beside it where others stand alone: *old*, a date, another car."""
    n_fuller = len(column.with_more)
    is_usual = n_fuller > max(1, _RARE * len(column.profile.values))
    return cell in column.with_more and not is_usual and len(column.with_code) - n_fuller >= _ENOUGH


def _has_words_beside(cell: str, words: HeadingWords) -> bool:
    """Whether a cell has words beside its one code that are no status and no failure type."""
    codes = code_words(cell)
    if len(codes) != 1:
        return False
    if "/" in codes[0]:
        return True  # a number of the maker's for a kind of the fault, or *one of two*
    beside = [w for w in re.split(r"[\s()\[\]:;,]+", cell) if w and w not in codes]
    told = " ".join(w for w in beside if not _FAILURE_TYPE.fullmatch(w))
    return any(map(str.isalnum, told)) and not (
        words.of_word("status", told) or is_none_word(told) or is_silent_word(told, words)
    )


def _is_longer_name(cell: str, column: _Column) -> bool:
    """Find a number of a part or an order with a blank in it where no other has one."""
    others = [v for v in column.profile.values if v != cell]
    return " " in cell and len(others) >= _ENOUGH and not any(" " in v for v in others)


def _is_no_code(cell: str, column: _Column) -> bool:
    """Find what is no code of a standard where nearly all others are."""
    words, n_standard = column.account.words, len(column.with_code)
    n_others = len(column.profile.values) - 1
    if n_standard < max(_ENOUGH, (1 - _RARE) * n_others) or code_words(cell):
        return False
    says_more = is_none_word(cell) or is_silent_word(cell, words) or words.of_word("status", cell)
    return not (says_more or _says_as_above(cell, column))


def _is_usual(mark: str, column: _Column) -> bool:
    values = column.profile.values
    return sum(mark in v for v in values) > max(1, _RARE * len(values))


_KINDS = (
    _Odd(
        "as-above",
        _WORDS,
        _says_as_above,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} stands for another cell, and would be stored as it is. Is "
            "it the thing itself?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "doubted",
        _SHORT | _SAID,
        _doubts_itself,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} has a question mark. Is it certain?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "denied",
        _SHORT,
        _denies,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} says that something is not so. Does the row count as it "
            "is?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "more-than-code",
        frozenset({"code"}),
        _is_more_than_code,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} has more than a code, where other rows have none. Does the "
            "row count as theirs do?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "longer-name",
        frozenset({"part_number", "repair_id"}),
        _is_longer_name,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} is more than one word, which no other is. Is all of it the "
            "number?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "no-code",
        frozenset({"code"}),
        _is_no_code,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} is no code of any standard, as those of the other rows "
            "are. Is it one of the maker's?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "no-unit",
        frozenset({"ecu"}),
        _is_no_unit,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} is no control unit that is known. Is it one, and not all "
            "of a vehicle's?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "more-than-unit",
        frozenset({"ecu"}),
        _is_said_of_unit,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} names a control unit and says something of it, which no "
            "other does. Is all of it the unit's name?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "cleared-work",
        frozenset({"action"}),
        _is_of_clearing,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} says that codes were cleared, and the row would be stored "
            "as work on a part. Is it so?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "two-facts",
        _NAMES,
        _holds_two,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} looks like two where other rows have one. Is it one?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "longer-vehicle",
        frozenset({"vehicle_id"}),
        _is_longer,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} names a known vehicle and something besides. Is it a "
            "vehicle of its own?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "below-zero",
        frozenset({"part_cost", "labour_cost", "quantity", _ASIDE}),
        _is_below_zero,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} is below zero, or none. Was the work of such rows done?",
            cell=cell,
            heading=heading,
        ),
    ),
    _Odd(
        "decimals",
        frozenset({"odometer_km"}),
        _is_other_number,
        lambda cell, heading: worded(
            "{cell!r} under {heading!r} has decimals where other rows have none. Is it a distance "
            "like theirs?",
            cell=cell,
            heading=heading,
        ),
    ),
)


def ask_things_in_texts(account: Account) -> None:
    """Ask about a text that names another code, vehicle or distance than its row is stored with."""
    numbers = account.seen.frame[LINE].to_list()
    times_of = Counter(numbers)
    told = {line: own for line, own in _told_by_line(account).items() if times_of[line] == 1}
    wanted = {"vehicle"} | ({"code"} if account.decision.into == "scans" else set())

    def names_another(cell: str, line: int) -> bool:
        if not cell or line not in told:
            return False
        others = things_in(cell, account.known) - told[line]
        return any(kind in wanted and len(name) > _LEAST for kind, name in others)

    for profile in (p for p in account.profiles if _is_text(account, p)):
        places = [at for at, c in enumerate(profile.cells) if names_another(c, numbers[at])]
        if not places or account.is_spoken_of(repr(profile.heading)):
            continue
        account.ask_whether_so(
            f"aside:{profile.heading}",
            lambda cell, heading: worded(
                "{cell!r} under {heading!r} names another code or vehicle than its row is "
                "stored with. Is the row right without it?",
                cell=cell,
                heading=heading,
            ),
            profile,
            places,
        )


def _told_by_line(account: Account) -> Mapping[int, set[Thing]]:
    """Gather what the rows of each line are stored with, their vehicle by each of its names."""
    told: defaultdict[int, set[Thing]] = defaultdict(set)
    for row in account.stored:
        own_names = (*TABLES[row["_into"]].names, *WHOSE)  # headings keep what is aside
        text = " | ".join(str(row[n]) for n in own_names if n not in _TEXTS and row.get(n))
        told[row["_line"]] |= things_in(text, account.known)
        told[row["_line"]] |= {("vehicle", name) for name in account.vehicle_names(row)}
    return told


_TEXTS = frozenset({"notes", "description", "reason"})
_LEAST = 2  # characters of a vehicle's number that is sought in a text


def _is_text(account: Account, profile: Profile) -> bool:
    """Whether a column is text, used as such or passed over, and not of another time."""
    used = {
        h for table in account.tables for t in table.columns if t.column not in _TEXTS
        for h in t.headings
    }  # fmt: skip
    is_of_other_time = account.words.of_beginning("of_time", profile.heading, anywhere=True)
    return profile.heading not in used and bool(profile.values) and not is_of_other_time
