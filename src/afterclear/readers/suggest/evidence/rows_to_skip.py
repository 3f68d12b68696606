"""Rows that are not data: totals, footers, headings again; and rows without a vehicle."""

import re
from collections.abc import Sequence
from itertools import pairwise

import polars as pl

from afterclear.errors import worded
from afterclear.readers.maps.source_table import LINE
from afterclear.readers.suggest.columns.numbers import is_number
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.columns.readings import WHOSE, whose
from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.footers import footer_word
from afterclear.readers.suggest.evidence.table_seen import Seen

_ENOUGH = 3  # rows, that a first one can be told from the others
_SENTENCE = 4  # words
_FEW = 0.1  # share of rows
_REMARK = "# "  # common practice, no source
# Given only in the first row of a vehicle's reading or of an order.
_TOLD_ONCE = (
    *("when", "time_of_day", "km", "hours", "scan_id", "repair_id", "site", "technician"),
)


def leave_out(seen: Seen) -> None:
    """Find rows that are no data, and leave them out by how they begin."""
    if seen.kind == "text":
        return  # its patterns say what a row is
    names = [n for n in seen.frame.columns if n != LINE]
    has_remarks = _has_remarks(seen, names)
    begins: list[str] = []  # of each row; empty: it is a row of data
    usual: list[str] = []  # first cells of rows of data
    for row in seen.frame.select(names).iter_rows():
        cells = [c.strip() for c in row if c and c.strip()]
        begin = _begin_of_no_data(cells, len(names))
        if has_remarks and cells and cells[0].startswith(_REMARK):
            begin = re.escape(_REMARK)
        begins.append(begin)
        usual += cells[:1] if not begin else []
    footers = dict.fromkeys(b for b in begins if b and not _is_of_data(b, usual))
    if footers:
        seen.table_keys["totals"] = f"(?:{'|'.join(footers)})"
        seen.frame = seen.frame.filter(pl.Series([b not in footers for b in begins]))
    _headings_again(seen, names)
    _units_below(seen, names)


def _is_of_data(begin: str, usual: Sequence[str]) -> bool:
    """Whether rows of data begin with such a count, too: *2 faults* of a column of results."""
    return begin.startswith(r"\d+") and any(re.match(begin, cell) for cell in usual)


def _has_remarks(seen: Seen, names: list[str]) -> bool:
    """Whether some lines are remarks: one is a sentence that fills no other cell."""
    rows = [
        [c.strip() for c in row if c and c.strip()] for row in seen.frame.select(names).iter_rows()
    ]
    is_marked = [bool(cells) and cells[0].startswith(_REMARK) for cells in rows]
    return not all(is_marked) and any(
        marked and len(cells) <= 2 and len(cells[0].split()) >= _SENTENCE
        for marked, cells in zip(is_marked, rows, strict=True)
    )


def _begin_of_no_data(cells: list[str], width: int) -> str:
    """Give how a row of totals or a footer begins; empty: it is a row of data."""
    is_spanned = width > 1 and len(cells) == width and len(set(cells)) == 1
    if not cells or (len(cells) > max(2, width - 2) and not is_spanned):
        return ""
    return re.sub(r"\d+", r"\\d+", re.escape(cells[0][: footer_word(cells[0])]))


def _headings_again(seen: Seen, names: list[str]) -> None:
    """Leave out rows that repeat the headings, as pages of a print do."""
    cells = seen.frame.select(names)
    same = [
        sum((c or "").strip().casefold() == n.casefold() for c, n in zip(row, names, strict=True))
        > 1
        for row in cells.iter_rows()
    ]
    if not any(same):
        return
    again = cells.row(same.index(True))
    first = next(
        n for c, n in zip(again, names, strict=True) if (c or "").strip().casefold() == n.casefold()
    )
    seen.table_keys["drop_where"] = {first: f"^{re.escape(first)}$"}
    seen.frame = seen.frame.filter(~pl.Series(same))


def _units_below(seen: Seen, names: list[str]) -> None:
    """Leave out a first row that holds units or forms: words where all other cells have digits."""
    rows = list(seen.frame.select(names).iter_rows())
    if len(rows) < _ENOUGH or any(map(_has_digit, rows[0])):
        return
    worded = [
        n
        for n, cell in enumerate(rows[0])
        if cell and cell.strip() and all(map(_has_digit, (row[n] for row in rows[1:] if row[n])))
    ]
    if len(worded) < _ENOUGH - 1 or "drop_where" in seen.table_keys:
        return
    seen.units = {names[n]: str(rows[0][n]).strip() for n in worded}
    first = names[worded[0]]
    seen.table_keys["drop_where"] = {first: f"^{re.escape(str(rows[0][worded[0]]).strip())}$"}
    seen.frame = seen.frame.slice(1)


def _has_digit(cell: str | None) -> bool:
    return any(map(str.isdigit, cell or ""))


def _is_sums_only(filling: Filling, at: int) -> bool:
    """Whether a row has a time nowhere, and nothing but amounts: it is refused anyway."""
    cells = [p.cells[at] for p in filling.sight.profiles if p.cells[at]]
    when = filling.profile("when").cells[at] if "when" in filling.roles else "?"
    return not when and all(is_number(c.strip("() ")) for c in cells)


# One of these makes a row without a vehicle more than a remark.
_SAID = ("code", "spn", "ecu", "work_text", "part_number", "part_name", "complaint", "description")


def _going_on(f: Filling, blank: list[int]) -> Decided | None:
    """Recognise rows that go on with the one above: they tell no other time and distance."""
    says = [f.profile(r).cells for r in _SAID if f.has(r)]
    told = [f.profile(r).cells for r in ("when", "time_of_day", "km") if f.has(r)]
    numbers = [f.profile(r).cells for r in ("repair_id", "scan_id") if f.has(r)]
    if not f.has("when") or _is_slip(f, blank):
        return None
    for at in blank:
        above = next(n for n in range(at - 1, -1, -1) if n not in blank)
        is_same = all(cells[at] == cells[above] for cells in told) and f.has("km")
        is_bare = not any(cells[at] for cells in told)
        is_other = any(cells[at] not in {"", cells[above]} for cells in numbers)
        if is_other or not any(cells[at] for cells in says) or not (is_bare or is_same):
            return None
    return Decided("above", worded("they tell no time and distance but those above them"))


def _is_slip(f: Filling, blank: Sequence[int]) -> bool:
    """Whether few rows leave out what the others say again for each row of one reading."""
    named = [role for role in (whose(f.roles), "when", "km") if role and f.has(role)]
    keys = list(zip(*(f.profile(role).cells for role in named), strict=True))
    is_told_again = any(a == b and all(a) for a, b in pairwise(keys))
    return is_told_again and len(blank) <= max(1, _FEW * f.n_rows)


def whose_blank_rows(filling: Filling) -> None:
    """Ask whose rows are that name no vehicle below one that does."""
    role = whose(filling.roles)
    if role is None:
        return
    profile = filling.profile(role)
    blank = [
        at
        for at in range(1, filling.n_rows)
        if not profile.cells[at] and sum(bool(p.cells[at]) for p in filling.sight.profiles) > 1
    ]
    blank = [at for at in blank if not _is_sums_only(filling, at)]
    others = [r for r in WHOSE if r in filling.roles and r != role]
    blank = [at for at in blank if not any(filling.profile(r).cells[at] for r in others)]
    if not blank or not profile.cells[0]:
        return
    question = Question(
        "blank-vehicle",
        worded(
            "Some rows have nothing under {heading!r}. Whose are they?", heading=profile.heading
        ),
        (
            Choice("above", worded("of the vehicle named above them")),
            Choice("refuse", worded("nobody knows: they are refused")),
        ),
        tuple(filling.row_text(at) for at in (blank[0] - 1, *blank[:2])),
        unasked="refuse",
        decided=_going_on(filling, blank),
    )
    if filling.asker.choose(question) == "above":
        also = [filling.profile(r) for r in _TOLD_ONCE if r in filling.roles]
        down = [profile, *(p for p in also if not any(p.cells[at] for at in blank))]
        filling.decision.table_keys["fill_down"] = [p.heading for p in down]
