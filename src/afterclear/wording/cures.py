"""What cured a fault in this fleet, in sentences.  Pure."""

from collections.abc import Iterable, Iterator
from typing import Final

from afterclear.finding_tables.cures import ENOUGH, Cure, parts_of, usual_of, works_on
from afterclear.wording.cells import Cells, capital
from afterclear.wording.given_words import given_words
from afterclear.wording.language import mark

_DONE: Final[dict[str, str]] = {
    "replace": mark("{part} replaced"),
    "repair": mark("{part} repaired"),
    "clean": mark("{part} cleaned"),
    "adjust": mark("{part} adjusted"),
    "software": mark("{part} updated by software"),
    "inspect": mark("{part} inspected only"),
}
_WHOLE: Final[dict[str, str]] = {
    "clear": mark("Codes cleared, no repair"),
    "several": mark("More than three pieces of work at once"),
    "not_told": mark("Work that nobody wrote down"),
}
_CURES: Final[dict[str, str]] = {
    "better": mark(
        "in like situations it cures between {low} and {high} more of 100 than this: {other}"
    ),
    "worse": mark(
        "in like situations it cures between {low} and {high} fewer of 100 than this: {other}"
    ),
}
# clearing a code repairs nothing, even where it stays away
_AWAY: Final[dict[str, str]] = {
    "better": mark(
        "in like situations it stays away in between {low} and {high} more of 100 than with this: "
        "{other}"
    ),
    "worse": mark(
        "in like situations it stays away in between {low} and {high} fewer of 100 than with this: "
        "{other}"
    ),
}
_PARTS: Final[dict[str, str]] = {
    "brand": mark("By brand: {parts}"),
    "grade": mark("By grade: {parts}"),
}
_TOO_FEW: Final = mark(
    "What cures it cannot be said yet: of fewer than {n} fixes of it in this fleet it is known "
    "whether they held."
)
_UNNAMED: Final = mark("unnamed part")
_MOST_LINES = 4  # works told for one fault; all are in the export
# what vehicles' pages say is rounded: counts of a fleet grow every night, and a page of a vehicle
# of which nothing is new is not written again for them
_ROUNDED_FROM: Final = 100
_FEW_OPEN: Final = 0.1  # of those known; fewer could hardly move the share (own judgement)


def work_words(row: Cure, cells: Cells) -> str:
    """Say what was done, e.g. "Ignition coil replaced, spark plug replaced: Orvo"."""
    done = cells.t(_WHOLE[row.work]) if row.work in _WHOLE else _pieces(row, cells)
    return f"{done}: {_name(row, cells)}" if row.part else done


def _pieces(row: Cure, cells: Cells) -> str:
    pieces = [
        cells.t(
            _DONE.get(piece.partition(":")[0], "{part}"),
            part=cells.t(_UNNAMED if piece.endswith(":part:not_named") else part),
        )
        for piece, part in zip(row.work.split(" "), row.works_label.split("; "), strict=True)
    ]
    return capital(", ".join(pieces))


def cured_words(row: Cure, cells: Cells) -> str:
    """Say how often it cured the fault; a part that wore out later had cured it."""
    n_cured, n_known = _counts(row)
    if not n_known:
        return cells.t("no fix has held or come back yet")
    words = cells.t(_text(row), n=n_cured, all=n_known)
    return words + (_open_words(row, cells) if row.n_open else "")


def _text(row: Cure) -> str:
    away = row.work == "clear"
    return mark("stayed away in {n} of {all}") if away else mark("cured it in {n} of {all}")


def _rounded_words(text: str, row: Cure, cells: Cells) -> str:
    """Say counts no finer than a vehicle's page does (``export cures`` has them exactly)."""
    n_cured, n_known = _counts(row)
    words = cells.t(text, n=n_cured, all=n_known)
    if n_known >= _ROUNDED_FROM:
        about = cells.t("about {n}", n=_two_digits(n_cured, cells))
        words = cells.t(text, n=about, all=_two_digits(n_known, cells))
    return words + (_open_words(row, cells) if row.n_open > _FEW_OPEN * n_known else "")


def _two_digits(n: int, cells: Cells) -> str:
    return cells.number(float(f"{n:.2g}"))


def _counts(row: Cure) -> tuple[int, int]:
    """Count the fixes that cured the fault, and those of which it is known."""
    n_cured = row.n_held + row.n_worn_or_new
    return n_cured, n_cured + row.n_came_back


def _open_words(row: Cure, cells: Cells) -> str:
    return cells.t(", {n} not proven yet", n=row.n_open)


def difference_words(row: Cure, usual: Cure | None, cells: Cells) -> str:
    """Say how a work compares with the usual one in the same situations; empty: not told."""
    return _difference(row, work_words(usual, cells), cells) if usual else ""


def _difference(row: Cure, other: str, cells: Cells) -> str:
    low, high = row.difference_low, row.difference_high
    if row.told not in _CURES or low is None or high is None:
        return ""
    text = (_AWAY if row.work == "clear" else _CURES)[row.told]
    ends = sorted(abs(each) * 100 for each in (low, high))
    return cells.t(text, low=cells.number(ends[0]), high=cells.number(ends[1]), other=other)


def fault_cures(rows: Iterable[Cure], cells: Cells) -> tuple[str, ...]:
    """Say what was tried for one fault in this fleet, a line a work, the most tried first.

    Where too few fixes are settled it says so; nothing where none was tried.
    """
    known = tuple(rows)
    works = works_on(known)
    if known and not works:
        return (cells.t(_TOO_FEW, n=cells.number(ENOUGH)),)
    return tuple(_line(row, usual_of(works), known, cells) for row in works[:_MOST_LINES])


def _line(row: Cure, usual: Cure | None, rows: Iterable[Cure], cells: Cells) -> str:
    said = f"{work_words(row, cells)}: {_rounded_words(_text(row), row, cells)}"
    difference = difference_words(row, usual, cells)
    first = f"{said}; {difference}." if difference else f"{said}."
    return " ".join((first, *_by_part(row, tuple(rows), cells)))


def _by_part(work: Cure, rows: tuple[Cure, ...], cells: Cells) -> Iterator[str]:
    """Say how often a work held by the brand and by the grade of its parts.

    Where grades part the fixes as brands do, brands say it all.
    """
    told: list[list[tuple[int, int, int]]] = []
    for level, text in _PARTS.items():
        parts = parts_of(rows, work, level)
        split = [(*_counts(row), row.n_open) for row in parts]
        if not parts or split in told:
            continue
        told.append(split)
        words = "; ".join(_part(row, usual_of(parts), cells) for row in parts)
        if all(row.told in {"usual", "no_difference"} for row in parts):
            words += f": {cells.t('no clear difference')}"
        yield f"{cells.t(text, parts=words)}."


def _part(row: Cure, usual: Cure | None, cells: Cells) -> str:
    said = f"{_name(row, cells)} {_rounded_words(mark('{n} of {all}'), row, cells)}"
    difference = _difference(row, _name(usual, cells), cells) if usual else ""
    if row.told == "not_side_by_side":
        difference = cells.t("not tried in like situations")
    return f"{said} ({difference})" if difference else said


def _name(row: Cure, cells: Cells) -> str:
    return given_words(row.part or "", cells.words)
