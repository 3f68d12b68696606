"""Rows of an order that differ in nothing but codes of different places: one job, or one for each.

Two coils cost twice what one does; an export that joins orders with their codes tells one job once
for each of them.  Nothing in the file decides, so it is asked; without an answer the store refuses
such rows (``store/merging/order_codes.py``).
"""

from collections import defaultdict
from collections.abc import Iterator

from afterclear.catalogue.code_tables import n_places
from afterclear.catalogue.codes import NormalCode, normal_code, split_codes
from afterclear.errors import worded
from afterclear.readers.suggest.columns.numbers import as_number
from afterclear.readers.suggest.columns.questions import Choice, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling


def ask_whose_places(f: Filling) -> None:
    """Ask about the rows of orders whose codes are of different places, if there are any."""
    rows = next(_apart(f), None)
    if rows is None:
        return
    question = Question(
        "places",
        worded(
            "Some rows of an order differ in nothing but codes of different places. Are they one "
            "job?"
        ),
        (
            Choice(
                "each", worded("no, a job for each place: a row each, its amounts are added up")
            ),
            Choice("one", worded("yes, told once for each code: its amounts count once")),
            Choice("refuse", worded("nobody knows: such rows are refused")),
        ),
        tuple(f.row_text(at) for at in rows[:3]),
        unasked="refuse",
    )
    f.decision.table_keys["places_apart"] = f.asker.choose(question)


def _apart(f: Filling) -> Iterator[list[int]]:
    """Give the rows of each line that stands there once for each of several places."""
    if not f.has("code") or any(t.column == "position" for t in f.decision.columns):
        return
    codes = f.profile("code")
    taken = [f.sight.by_name[h] for h in f.decision.used - {codes.heading} if h in f.sight.by_name]
    lines = defaultdict(list)
    for at, cell in enumerate(codes.cells):
        if cell and not f.is_left_out(at):
            lines[tuple(p.cells[at] for p in taken)].append(at)
    for rows in lines.values():
        if len({codes.cells[at] for at in rows}) > 1:
            told = [_codes(codes.cells[at]) for at in rows]
            if n_places(told, f.places_of) > _quantity(f, rows[0]):
                yield rows


def _codes(cell: str) -> list[str]:
    spelled = map(normal_code, split_codes(cell))
    return [code.code for code in spelled if isinstance(code, NormalCode)]


def _quantity(f: Filling, at: int) -> float:
    told = as_number(f.profile("quantity").cells[at], f.numbers) if f.has("quantity") else None
    return told or 1
