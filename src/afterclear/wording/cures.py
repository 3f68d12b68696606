"""What cured a fault in this fleet, in sentences.  Pure."""

from collections.abc import Iterable
from typing import Final

from afterclear.finding_tables.cures import Cure, usual_of, works_on
from afterclear.wording.cells import Cells, capital
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
_UNNAMED: Final = mark("unnamed part")
_MOST_LINES = 4  # works told for one fault; all are in the export


def work_words(row: Cure, cells: Cells) -> str:
    """Say what was done, e.g. "Ignition coil and spark plug replaced"."""
    if row.work in _WHOLE:
        return cells.t(_WHOLE[row.work])
    pieces = [
        cells.t(
            _DONE.get(piece.partition(":")[0], "{part}"),
            part=cells.t(_UNNAMED if piece.endswith(":part:not_named") else part),
        )
        for piece, part in zip(row.work.split(" "), row.works_label.split("; "), strict=True)
    ]
    words = capital(", ".join(pieces))
    return f"{words} ({row.part})" if row.part else words


def cured_words(row: Cure, cells: Cells) -> str:
    """Say how often it cured the fault; a part that wore out later had cured it."""
    n_cured = row.n_held + row.n_worn_or_new
    n_known = n_cured + row.n_came_back
    away = row.work == "clear"
    text = mark("stayed away in {n} of {all}") if away else mark("cured it in {n} of {all}")
    words = cells.t(text, n=n_cured, all=n_known)
    if not n_known:
        words = cells.t("no fix has held or come back yet")
    if row.n_open and n_known:
        words += cells.t(", {n} not proven yet", n=row.n_open)
    return words


def difference_words(row: Cure, usual: Cure | None, cells: Cells) -> str:
    """Say how a work compares with the usual one in the same situations; empty: not told."""
    low, high = row.difference_low, row.difference_high
    if row.told not in {"better", "worse"} or usual is None or low is None or high is None:
        return ""
    text = (_AWAY if row.work == "clear" else _CURES)[row.told]
    ends = sorted(abs(each) * 100 for each in (low, high))
    return cells.t(
        text,
        low=cells.number(ends[0]),
        high=cells.number(ends[1]),
        other=work_words(usual, cells),
    )


def fault_cures(rows: Iterable[Cure], cells: Cells) -> tuple[str, ...]:
    """Say what was tried for one fault in this fleet, a line a work, the most tried first.

    Nothing where too few fixes are settled to say anything.
    """
    works = works_on(rows)
    return tuple(_line(row, usual_of(works), cells) for row in works[:_MOST_LINES])


def _line(row: Cure, usual: Cure | None, cells: Cells) -> str:
    said = f"{work_words(row, cells)}: {cured_words(row, cells)}"
    difference = difference_words(row, usual, cells)
    return f"{said}; {difference}." if difference else f"{said}."
