"""How the numbers of a file are written: one decision for the whole file.

A mark between digits parts thousands or decimals.  Most numbers show which (``1.234,5``, ``20,5``,
``1.234.567``); ``83.120`` does not. All columns of numbers decide together; a column with only
groups of three digits behind one mark holds thousands if it is an odometer, whose reading has
tenths at most.
"""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from afterclear.errors import worded
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question

# Stands for the decimal mark of numbers that are kept as numbers (workbooks, JSON), so that they
# are not mixed up with marks in texts (U+2396, decimal separator key symbol).
OWN_DECIMAL = "\u2396"
GROUP_MARKS = " '\u2019\u00a0\u202f\u2009"
UNIT = (
    r"(?:km|kms|kilometer|kilometre|kilometres|mi|mls|mile|miles|milles|millas|h|hrs?|std|tkm|hm"
    r"|pcs?|stk|st\u00fcck|uds?|szt)"  # pieces
)
_BODY = rf"[+-]?\d[\d.,{GROUP_MARKS}{OWN_DECIMAL}]*"
_NUMBER = re.compile(rf"({_BODY})(?:\s*({UNIT})\.?)?", re.IGNORECASE)
_CURRENCY = r"(?:[€$£]|EUR|PLN|CHF|USD|GBP|zł)?"
_MONEY = re.compile(rf"{_CURRENCY}\s*({_BODY})\s*{_CURRENCY}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Numbers:
    """How a file's numbers are written."""

    decimal: str = "."
    thousands: str = ""


# Answer to what stands before the decimals -> how numbers are written then.
MARKS = {"comma": Numbers(",", "."), "dot": Numbers(".", ",")}


@dataclass(frozen=True, slots=True)
class Parted:
    """A cell with one number in it."""

    number: str
    unit: str = ""  # small letters; empty: there is none
    is_money: bool = False


def parted(value: str) -> Parted | None:
    """Split a number from the unit or currency beside it; None: it is no number."""
    text = value.strip()
    if found := _NUMBER.fullmatch(text):
        return Parted(found[1].strip(), (found[2] or "").lower())
    if found := _MONEY.fullmatch(text):
        return Parted(found[1].strip(), is_money=True)
    return None


def as_number(cell: str, numbers: Numbers) -> float | None:
    """Read a number as a file writes them; None: it is none."""
    found = parted(cell)
    if not found:
        return None
    plain = found.number.replace(numbers.thousands, "") if numbers.thousands else found.number
    try:
        return float(plain.replace(numbers.decimal, ".").replace(OWN_DECIMAL, "."))
    except ValueError:
        return None


def is_number(value: str) -> bool:
    """Recognise a number, with or without a unit or a currency beside it."""
    return parted(value) is not None


def is_count(profile: Profile) -> bool:
    """Recognise small whole numbers: how often something was met, and no distance."""
    return profile.share(lambda v: re.fullmatch(r"\d{1,3}", v)) == 1


def is_distance(profile: Profile) -> bool:
    """Recognise numbers with km or miles beside them, large enough for an odometer."""
    found = [p for v in profile.values if (p := parted(v))]
    with_unit = [p for p in found if WRITTEN.get(p.unit, "") in {"km", "mi"}]
    large = [p for p in with_unit if sum(c.isdigit() for c in p.number) > 3]
    return len(with_unit) >= 0.6 * len(profile.values) and len(large) >= 0.5 * len(with_unit)


def decide_numbers(
    columns: Sequence[Profile], odometers: Sequence[Profile], language: str, asker: Asker
) -> Numbers:
    """Decide how numbers are written, from all columns that hold numbers."""
    votes: Counter[tuple[str, str]] = Counter()
    unsure: Counter[str] = Counter()
    for column in columns:
        for value in column.values:
            if found := parted(value):
                _vote(found.number, votes, unsure)
    group = next((m for m in GROUP_MARKS if votes[m, "thousands"]), "")
    marks = [m for m in ".," if votes[m, "decimal"] or votes[m, "thousands"]]
    torn = [m for m in marks if votes[m, "decimal"] and votes[m, "thousands"]]
    if torn or (votes[".", "decimal"] and votes[",", "decimal"]):
        return _asked(columns, asker, worded("Numbers of this file are written in two ways."))
    decimal = next((m for m in ".," if votes[m, "decimal"]), "")
    thousands = group or next((m for m in ".," if votes[m, "thousands"]), "")
    unsure_marks = [m for m in ".," if unsure[m] and m not in {decimal, thousands}]
    if not unsure_marks:
        if not decimal:
            decimal = "," if thousands == "." else "."
        return Numbers(decimal, thousands if thousands != decimal else "")
    return _settled(decimal, thousands, unsure_marks, (columns, odometers, language), asker)


def _vote(number: str, votes: Counter[tuple[str, str]], unsure: Counter[str]) -> None:
    """Count what one number shows about the marks."""
    body = number.lstrip("+-")
    if OWN_DECIMAL in body:
        return
    for mark in GROUP_MARKS:
        if re.fullmatch(rf"\d{{1,3}}(?:{re.escape(mark)}\d{{3}})+(?:[.,]\d+)?", body):
            votes[mark, "thousands"] += 1
            body = body.replace(mark, "")
    dots, commas = body.count("."), body.count(",")
    if dots and commas:
        last = max(".,", key=body.rfind)
        votes[last, "decimal"] += 1
        votes[",."[",.".index(last) - 1], "thousands"] += 1
        return
    mark = "." if dots else ","
    if dots + commas > 1:
        votes[mark, "thousands"] += 1
    elif dots + commas == 1:
        whole, part = body.split(mark)
        if len(part) == 3 and 1 <= len(whole) <= 3 and not whole.startswith("0"):
            unsure[mark] += 1
        else:
            votes[mark, "decimal"] += 1


def _settled(
    decimal: str,
    thousands: str,
    unsure: Sequence[str],
    seen: tuple[Sequence[Profile], Sequence[Profile], str],
    asker: Asker,
) -> Numbers:
    """Decide marks before three digits: by the other marks, by odometers, otherwise by the user."""
    columns, odometers, _ = seen
    if len(unsure) > 1:
        return _asked(
            columns, asker, worded("Numbers of this file have dots and commas before 3 digits.")
        )
    mark = unsure[0]
    other = "," if mark == "." else "."
    where = [c for c in columns if any(mark in v for v in c.values)]
    has_groups = bool(thousands) and thousands != mark and thousands in GROUP_MARKS
    is_thousands = decimal == other or (
        not has_groups
        and (
            any(_only_groups(column, mark) for column in odometers)
            or all(_is_money(column) for column in where)  # amounts have two decimals or none
        )
    )
    if is_thousands:
        return Numbers(other, mark)
    if thousands == other and not decimal:
        return Numbers(mark, thousands)
    return _asked(
        where, asker, worded("Some numbers have {mark!r} before three digits.", mark=mark)
    )


def _only_groups(column: Profile, mark: str) -> bool:
    """Recognise a column in which every mark is followed by three digits."""
    numbers = [found.number for v in column.values if (found := parted(v))]
    marked = [n for n in numbers if mark in n]
    return bool(marked) and all(re.fullmatch(rf"[+-]?\d{{1,3}}\{mark}\d{{3}}", n) for n in marked)


def _is_money(column: Profile) -> bool:
    return column.means("part_cost", "labour_cost", "total_cost") > 0.5


def _asked(columns: Iterable[Profile], asker: Asker, reason: str) -> Numbers:
    rows = [
        f"{column.heading}: {value}"
        for column in columns
        for value in column.values
        if re.search(r"\d[.,]\d{3}(?!\d)", value)
    ][:3]
    example = rows[0].split(": ")[1] if rows else "1.234"
    question = Question(
        "decimal-mark",
        worded("{reason} Which mark stands before the decimals?", reason=reason),
        (
            Choice(
                "comma", worded("the comma; dots part thousands ({read})", read=_read(example, ","))
            ),
            Choice(
                "dot", worded("the dot; commas part thousands ({read})", read=_read(example, "."))
            ),
        ),
        tuple(rows),
    )
    return MARKS[asker.choose(question)]


def _read(example: str, decimal: str) -> str:
    """Say what a number is with this decimal mark."""
    found = parted(example)
    number = found.number if found else example
    other = "." if decimal == "," else ","
    plain = number.replace(other, "").replace(decimal, ".")
    try:
        return f"{number} is {float(plain):,.3f}".rstrip("0").rstrip(".")
    except ValueError:
        return number
