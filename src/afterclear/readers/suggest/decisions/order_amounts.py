"""Whose an amount is that all rows of an order have alike: each row's own, or the whole order's.

Added up as the rows' own, an amount that each row tells again counts a multiple. Rows that differ
in their code only need no answer: they are one line (``store/merging/order_codes.py``).  Elsewhere
one order whose rows have different amounts shows that amounts are the rows' own; where none does,
nothing in the file decides.
"""

from collections import defaultdict

from afterclear.readers.suggest.evidence.decision_draft import Filling
from afterclear.readers.suggest.evidence.numbers import as_number
from afterclear.readers.suggest.evidence.questions import Choice, Question

_AMOUNTS = ("part_cost", "labour_cost")


def ask_whose_amounts(f: Filling) -> None:
    """Ask about the amounts that repeat in every order of several lines."""
    orders = _orders_of_several_lines(f)
    repeated = {c: at for c in _AMOUNTS if f.has(c) and (at := _where_repeated(f, c, orders))}
    if not repeated:
        return
    headings = " and ".join(repr(f.roles[c].heading) for c in repeated)
    rows = next(iter(repeated.values()))
    question = Question(
        "amounts",
        f"All rows of an order have the same amount under {headings}. Whose is it?",
        (
            Choice("order", "the whole order's, told again in each row: it counts once"),
            Choice("row", "each row's own: the rows of an order are added up"),
            Choice("leave", "nobody knows: these amounts are left out"),
        ),
        tuple(f.row_text(at) for at in rows[:3]),
        unasked="leave",
    )
    answer = f.asker.choose(question)
    if answer == "order":
        f.decision.table_keys["once_per_order"] = list(repeated)
    elif answer == "leave":
        f.decision.columns = [t for t in f.decision.columns if t.column not in repeated]


def _orders_of_several_lines(f: Filling) -> list[list[int]]:
    """Give the rows of each order whose rows differ in more than their codes."""
    if not f.has("repair_id"):
        return []
    orders = defaultdict(list)
    for at, number in enumerate(f.profile("repair_id").cells):
        if number and not f.is_left_out(at):
            orders[number].append(at)
    taken = f.decision.used - ({f.roles["code"].heading} if f.has("code") else set())
    columns = [p for p in f.sight.profiles if p.heading in taken]
    return [
        rows
        for rows in orders.values()
        if len({tuple(p.cells[at] for p in columns) for at in rows}) > 1
    ]


def _where_repeated(f: Filling, column: str, orders: list[list[int]]) -> list[int]:
    """Give the rows of the first order with an amount in every row; none if orders differ in it."""
    cells = f.profile(column).cells
    repeated: list[int] = []
    for rows in orders:
        amounts = [as_number(cells[at], f.numbers) for at in rows]
        if len(set(amounts)) > 1:
            return []
        if amounts[0] and not repeated:
            repeated = rows
    return repeated
