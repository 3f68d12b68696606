"""The amounts of an order: what a row's parts cost, and whose an amount is that all rows repeat.

A price of one piece is multiplied by the pieces.  Totals show which it is, an explicit heading, or
one part that was fitted in different numbers; otherwise it is asked.

An amount that all rows of an order have alike is each row's own, or the whole order's.

Added up as the rows' own, an amount that each row tells again counts a multiple. Rows that differ
in their code only need no answer: they are one line (``store/merging/order_codes.py``).  Elsewhere
one order whose rows have different amounts shows that amounts are the rows' own; where none does,
nothing in the file decides.
"""

import re
from collections import defaultdict
from dataclasses import replace

from afterclear.errors import worded
from afterclear.readers.maps.heading_words import EXACT
from afterclear.readers.suggest.columns.numbers import as_number
from afterclear.readers.suggest.columns.profiles import Profile
from afterclear.readers.suggest.columns.questions import Choice, Decided, Question
from afterclear.readers.suggest.evidence.decision_draft import Filling

AMOUNTS = ("part_cost", "labour_cost", "total_cost", "unit_price", "quantity")
_STORED = ("part_cost", "labour_cost")  # amounts of the plain layout
_A_CENT = 0.011
_KINDS = 6  # words of a column that says of what kind a row is
_EQUAL = 0.005


def fill_amounts(f: Filling) -> None:
    """Take what was fitted, how much of it, and what it and the work cost."""
    if (
        f.has("occurrences")
        and not f.has("quantity")
        and f.profile("occurrences").means("quantity")
    ):
        # *cantidad*: a word of both, and no order counts how often a fault occurred
        f.roles["quantity"] = replace(f.roles["occurrences"], role="quantity")
    is_of_parts = f.has("part_number") or f.has("part_name")
    if is_of_parts and not f.has("part_cost") and f.has("total_cost"):
        _cost_of_line(f)
    is_each = False
    if is_of_parts and not f.has("part_cost") and f.has("unit_price") and f.has("quantity"):
        f.roles["part_cost"] = replace(f.roles["unit_price"], role="part_cost")
        is_each = True
    elif f.has("part_cost") and f.has("quantity"):
        is_each = _is_price_of_piece(f)
    if f.has("part_cost") and not f.has("labour_cost"):
        _miss_labour_among_parts(f)
    for column in ("quantity", "part_cost", "labour_cost"):
        if f.has(column):
            spec = _amount(f.profile(column))
            if column == "part_cost" and is_each:
                spec["times"] = f.roles["quantity"].heading
            f.plain(column, spec=spec)


def _miss_labour_among_parts(f: Filling) -> None:
    """Take no amounts for parts' of which a column of kinds says that some are of labour."""
    for profile in f.sight.profiles:
        kinds = profile.values
        if profile.heading in f.sight.times or not 1 < len(kinds) <= _KINDS:
            continue
        meant = {v: f.sight.words.of_heading(v) for v in kinds}
        labour = [v for v, means in meant.items() if means.get("labour_cost", 0.0) >= EXACT]
        if labour:
            f.decision.missing.append(
                worded(
                    "part_cost: rows with {word!r} under {heading!r} are labour, and its amounts "
                    "stand in one column with the parts'; write a map with a table for each "
                    "(keep_where)",
                    word=labour[0],
                    heading=profile.heading,
                )
            )
            return


def _amount(profile: Profile) -> dict[str, object]:
    plain = all(re.fullmatch(r"[+-]?[\d.,'\u2396 \u00a0\u202f]+", v) for v in profile.values)
    pattern = r"([+-]?\d(?:[\d.,' \u00a0\u202f]*\d)?)"
    return {} if plain else {"pattern": pattern, "otherwise": "empty"}


def _numbers_of(f: Filling, *roles: str) -> list[tuple[float | None, ...]]:
    """Give the numbers of some columns, row by row; a column that is missing has none."""
    empty = [""] * f.n_rows
    columns = [f.profile(r).cells if f.has(r) else empty for r in roles]
    return [tuple(as_number(cell, f.numbers) for cell in row) for row in zip(*columns, strict=True)]


def _cost_of_line(f: Filling) -> None:
    """Take an amount for the parts' where it is their price times their quantity in every row."""
    if not f.has("quantity"):
        return
    total, rows = f.profile("total_cost"), _numbers_of(f, "total_cost", "quantity")
    for price in f.sight.profiles:
        prices = [as_number(cell, f.numbers) for cell in price.cells]
        lines = zip(rows, prices, strict=True)
        whole = [(t, n, each) for (t, n), each in lines if t and n and each]
        is_product = all(abs(t - n * each) < _A_CENT for t, n, each in whole)
        if price is not total and is_product and len(whole) > 1 and any(n > 1 for _, n, _ in whole):
            f.roles["part_cost"] = replace(f.roles["total_cost"], role="part_cost")
            return


def _is_price_of_piece(f: Filling) -> bool:
    """Decide whether the parts' amount is of one piece, where more than one was fitted."""
    rows = _numbers_of(f, "total_cost", "part_cost", "quantity", "labour_cost")
    several = [(t, p, n, work or 0.0) for t, p, n, work in rows if p and n and n > 1]
    if not several:
        return False
    if with_total := [row for row in several if row[0]]:
        by_piece = sum(abs(t - n * p - work) < _A_CENT for t, p, n, work in with_total if t)
        by_line = sum(abs(t - p - work) < _A_CENT for t, p, n, work in with_total if t)
        if by_piece != by_line and len(with_total) in {by_piece, by_line}:
            return by_piece > by_line
    heading = f.profile("part_cost").heading
    kinds = {f.sight.words.of_beginning("of_amount", word) for word in re.findall(r"\w+", heading)}
    if "price" not in kinds or "whole" in kinds:
        return f.sight.by_name[heading].means("unit_price") > f.profile("part_cost").means(
            "part_cost"
        )
    return _asked_price(f, heading)


def _asked_price(f: Filling, heading: str) -> bool:
    question = Question(
        "price",
        worded("What does {heading!r} say where more than one piece was fitted?", heading=heading),
        (
            Choice("each", worded("the price of one piece: it is multiplied by the pieces")),
            Choice("line", worded("the price of all pieces of the row")),
            Choice("leave", worded("nobody knows: these amounts are left out")),
        ),
        tuple(
            f.row_text(at)
            for at, (n,) in enumerate(_numbers_of(f, "quantity"))
            if n is not None and n > 1
        )[:3],
        unasked="leave",
        decided=_by_same_part(f),
    )
    answer = f.asker.choose(question)
    if answer == "leave":
        del f.roles["part_cost"]
    return answer == "each"


def _by_same_part(f: Filling) -> Decided | None:
    """Compare rows of one part: its price stays while its pieces differ, or grows with them."""
    if not f.has("part_number"):
        return None
    found = defaultdict(set)
    numbers = f.profile("part_number").cells
    for part, (price, n) in zip(numbers, _numbers_of(f, "part_cost", "quantity"), strict=True):
        if part and price and n:
            found[part].add((n, price))
    pairs = [(part, sorted(own)) for part, own in found.items() if len({n for n, _ in own}) > 1]
    stays = {part for part, own in pairs if own[0][1] == own[-1][1]}
    grows = {
        part
        for part, ((n, price), *_, (more, higher)) in pairs
        if abs(higher / price / (more / n) - 1) < _EQUAL
    }
    if pairs and len(pairs) in {len(stays), len(grows)}:
        part = pairs[0][0]
        if stays:
            return Decided(
                "each", worded("that of {part!r} is the same for any number of pieces", part=part)
            )
        return Decided("line", worded("that of {part!r} grows with its pieces", part=part))
    return None


def ask_whose_amounts(f: Filling) -> None:
    """Ask about the amounts that repeat in every order of several lines."""
    orders = _orders_of_several_lines(f)
    repeated = {c: at for c in _STORED if f.has(c) and (at := _where_repeated(f, c, orders))}
    if not repeated:
        return
    headings = " and ".join(repr(f.roles[c].heading) for c in repeated)
    rows = next(iter(repeated.values()))
    question = Question(
        "amounts",
        worded(
            "All rows of an order have the same amount under {headings}. Whose is it?",
            headings=headings,
        ),
        (
            Choice("order", worded("the whole order's, told again in each row: it counts once")),
            Choice("row", worded("each row's own: the rows of an order are added up")),
            Choice("leave", worded("nobody knows: these amounts are left out")),
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
