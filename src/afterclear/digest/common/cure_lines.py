"""What cured which fault: the works of the fleet beside the usual one.  Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from afterclear.digest.common.assess import Setting
from afterclear.digest.input.frames import Caution
from afterclear.finding_tables.cures import ENOUGH, Cure, parts_of, usual_of, works_on
from afterclear.wording.cells import Cells, capital
from afterclear.wording.cures import cured_words, difference_words, work_words

MOST = 30  # lines of the table; the file beside the page has all
# in a work that no line on top tells to do or to stop: a check, and what nobody could do again
_NOT_ON_TOP = ("inspect:", "not_told", "several", ":not_named")


@dataclass(frozen=True, slots=True)
class CureLine:
    """One work on one fault."""

    fault: str  # in words
    work: str
    cured: str
    share_held: float | None
    share_low: float | None
    share_high: float | None
    cost_per_cure: float | None
    currency: str | None
    is_clear: bool  # nothing was done that costs anything
    difference: str  # empty: within chance, or too few
    is_better: bool
    # the usual work, for a line on top of the page; empty: no difference, a check, work nobody
    # named, a clear in a repair's place, or work that has cautions, which stand beside the table
    usual: str


@dataclass(frozen=True, slots=True)
class CuresView:
    """Works that differ beyond chance, and all works of faults on which several were tried."""

    told: tuple[CureLine, ...]
    others: tuple[CureLine, ...]  # the first ``MOST``
    n_others: int
    cautions: tuple[Caution, ...]  # for work on the faults shown, each once
    enough: int = ENOUGH  # fixes of a fault that held or came back; with fewer it is left out


def cures_view(setting: Setting) -> CuresView | None:
    """Choose what the fleet page shows; None: nothing was tried often enough."""
    told: list[CureLine] = []
    others: list[CureLine] = []
    cautions: list[Caution] = []
    for rows in setting.cures.values():
        works = works_on(rows)
        if len(works) < 2:  # noqa: PLR2004 - one has nothing beside it
            continue
        for row in works:
            line = _line(row, usual_of(works), setting)
            (told if line.difference else others).append(line)
            if line.difference or len(others) <= MOST:
                cautions.extend(_cautions(row, setting))
            told += _by_part(row, rows, setting)
    if not told and not others:
        return None
    once = tuple(dict.fromkeys(cautions))
    return CuresView(tuple(told), tuple(others[:MOST]), len(others), once)


def _by_part(work: Cure, rows: Iterable[Cure], setting: Setting) -> Iterator[CureLine]:
    """Give the brands and grades of one work's parts that differ beyond chance."""
    for level in ("brand", "grade"):
        parts = parts_of(rows, work, level)
        lines = (_line(row, usual_of(parts), setting) for row in parts)
        yield from (line for line in lines if line.difference)


def _cautions(row: Cure, setting: Setting) -> Iterator[Caution]:
    """Give the cautions for work on the fault and on what was worked on."""
    for kind in (row.fault, *(piece.partition(":")[2] for piece in row.work.split())):
        yield from setting.cautions_of(kind)


def _line(row: Cure, usual: Cure | None, setting: Setting) -> CureLine:
    cells = setting.cells
    difference = capital(difference_words(row, usual, cells))
    on_top = usual is not None and bool(difference) and _is_advice(row, usual, setting)
    return CureLine(
        fault=capital(cells.t(row.label)),
        work=work_words(row, cells),
        cured=capital(cured_words(row, cells)),
        share_held=row.share_held,
        share_low=row.share_low,
        share_high=row.share_high,
        cost_per_cure=row.cost_per_cure,
        currency=row.currency,
        is_clear=row.work == "clear",
        difference=difference,
        is_better=row.told == "better",
        usual=_told(usual, cells) if on_top and usual else "",
    )


def _is_advice(row: Cure, usual: Cure, setting: Setting) -> bool:
    """Whether one of the two can be told in place of the other without more words."""
    better = row if row.told == "better" else usual
    if better.work == "clear":  # it repairs nothing, even where it stays away
        return False
    return not any(
        any(_cautions(each, setting)) or any(name in each.work for name in _NOT_ON_TOP)
        for each in (row, usual)
    )


def _told(row: Cure, cells: Cells) -> str:
    return f"{work_words(row, cells)}: {cured_words(row, cells)}"
