"""What would have been spared if a group's repairs had held as elsewhere.  Pure.

Only for groups that stand out, and only where the interval leaves out "as expected": a difference
within chance is worth nothing.  Money is told where enough repeat orders have a price.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from afterclear.digest.input.finding_rows import RepeatPrice
from afterclear.finding_tables.sites import ComparedGroup, ProcessCost
from afterclear.wording.cells import Cells

ENOUGH_PRICED: Final = 5  # orders behind a median price (own judgement)
_MOSTLY: Final = 0.9  # share of a group's repeat orders in one currency (own judgement)


@dataclass(frozen=True, slots=True)
class Saving:
    """Come-backs above what was expected, with the limits of the ratio's interval."""

    n: float
    low: float
    high: float


def saving(group: ComparedGroup) -> Saving | None:
    """Work out come-backs above expectation; None: within chance, or nothing is expected."""
    low, high = group.ratio_low, group.ratio_high
    if not group.flagged or not group.expected or low is None or high is None or low <= 1:
        return None
    return Saving(
        n=group.observed - group.expected,
        low=(low - 1) * group.expected,
        high=(high - 1) * group.expected,
    )


def price_of(
    group: ComparedGroup, prices: Sequence[RepeatPrice], costs: Sequence[ProcessCost]
) -> RepeatPrice | None:
    """Choose the price of a repeat order in the group's currency; None: it is not known.

    A site's currency is that of its own repeat orders; of others, that of the whole fleet's.
    """
    own: dict[str, int] = {}
    for cost in costs:
        is_own = group.level != "site" or cost.site == group.name
        if is_own and cost.finding == "come_backs" and cost.n_priced and cost.currency:
            own[cost.currency] = own.get(cost.currency, 0) + cost.n_priced
    if not own:
        return None
    currency = max(own, key=lambda name: (own[name], name))
    if own[currency] < _MOSTLY * sum(own.values()):
        return None
    return next((p for p in prices if p.currency == currency and p.n >= ENOUGH_PRICED), None)


def saving_words(found: Saving, price: RepeatPrice | None, cells: Cells) -> str:
    """Say how many come-backs, and how much money, would have been spared."""
    spared = cells.tn(
        "If these repairs had held as elsewhere: about {n} fewer come-back (between {low} and "
        "{high})",
        "If these repairs had held as elsewhere: about {n} fewer come-backs (between {low} and "
        "{high})",
        round(found.n),
        low=cells.number(found.low),
        high=cells.number(found.high),
    )
    if price is None:
        return f"{spared}."
    amounts = [
        cells.money(_rounded(n * price.price), price.currency)
        for n in (found.n, found.low, found.high)
    ]
    money = cells.t(
        "about {amount} (between {low} and {high})",
        amount=amounts[0],
        low=amounts[1],
        high=amounts[2],
    )
    return f"{spared}, {money}."


def saving_source(price: RepeatPrice | None, cells: Cells) -> str:
    """Say how a saving was worked out."""
    if price is None:
        return cells.t("An estimate since the records began: observed less expected.")
    return cells.t(
        "An estimate since the records began: observed less expected, times the median price of "
        "{n} repeat orders in this fleet ({price}); each come-back counts as one order.",
        n=cells.number(price.n),
        price=cells.money(price.price, price.currency),
    )


def _rounded(amount: float) -> float:
    """Round to two figures: an estimate is no better known.

    >>> _rounded(4_912.0)
    4900.0
    """
    digits = len(str(int(abs(amount))))
    return float(round(amount, min(0, 2 - digits)))
