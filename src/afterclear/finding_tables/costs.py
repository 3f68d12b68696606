"""What work cost over a period: by vehicle, site and fault, and the orders behind it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

_NO_CURRENCY: Final = mark("(no currency given)")


NOT_TIED: Final = "not_tied"
"""The fault of what no order says a fault for, in ``costs``."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What the work orders of a period came to, in one currency."""

    kind: Annotated[
        Literal["fleet", "vehicle", "site", "fault"],
        Means("what is added up: `fleet`, `vehicle`, `site` or `fault`"),
    ]
    vehicle_id: Annotated[str | None, Means("the vehicle; empty: of another kind")]
    site: Annotated[str | None, Means("the site; empty: of another kind, or not known")]
    fault: Annotated[str | None, Means("the component with the fault; empty: of another kind")]
    label: Annotated[str | None, Means("what people call it")]
    currency: Annotated[str | None, Means("the currency; empty: not known", unknown=_NO_CURRENCY)]
    from_at: Annotated[datetime, Means("the period begins after this")]
    to_at: Annotated[datetime, Means("and ends with this")]
    days: Annotated[int, Means("its length in days, a setting")]
    n_orders: Annotated[int, Means("work orders with an amount in this currency")]
    amount: Annotated[float, Means("what they come to, credit notes taken off", "money")]
    n_came_back: Annotated[int, Means("of these, orders whose fix came back")]
    amount_came_back: Annotated[float, Means("what these come to, credit notes taken off", "money")]
    n_credits: Annotated[int, Means("orders with an amount below zero")]
    n_without: Annotated[int, Means("more orders, which carry no amount")]


@dataclass(frozen=True, slots=True)
class CostOrder:
    """A work order of the period, once for each currency it has amounts in."""

    vehicle_id: Annotated[str, Means("the vehicle")]
    repair_id: Annotated[str, Means("the work order")]
    repaired_at: Annotated[datetime, Means("when")]
    site: Annotated[str | None, Means("the site; empty: not known")]
    faults: Annotated[str | None, Means("components it was for, with blanks between")]
    currency: Annotated[str | None, Means("of the amount; empty: not known")]
    amount: Annotated[float | None, Means("parts and labour; empty: none is given", "money")]
    came_back: Annotated[bool, Means("a fault came back, and most likely was not cured")]


FINDINGS: Final = (
    Finding(
        "costs",
        Cost,
        about="what work cost over a period, by vehicle, site and fault; currencies stay apart",
        order="kind, currency, amount DESC, vehicle_id, site, fault",
        says=(
            (
                Clause(mark("No amount is given."), lambda row: row.n_orders == 0),
                Clause(
                    counted(
                        "{amount} {currency} on {n_orders} work order",
                        "{amount} {currency} on {n_orders} work orders",
                    ),
                    count="n_orders",
                ),
            ),
            (
                Clause(
                    counted(
                        ", of these {amount_came_back} {currency} on {n_came_back} whose fix did "
                        "not hold.",
                        ", of these {amount_came_back} {currency} on {n_came_back} whose fix did "
                        "not hold.",
                    ),
                    lambda row: row.n_came_back > 0,
                    "n_came_back",
                ),
                Clause(".", lambda row: row.n_orders > 0),
            ),
            (
                Clause(
                    counted(" {n_credits} is a credit note.", " {n_credits} are credit notes."),
                    lambda row: row.n_credits > 0,
                    "n_credits",
                ),
            ),
            (
                Clause(
                    counted(
                        " {n_without} order carries no amount.",
                        " {n_without} orders carry no amount.",
                    ),
                    lambda row: row.n_without > 0,
                    "n_without",
                ),
            ),
        ),
    ),
    Finding(
        "cost_orders",
        CostOrder,
        about="the work orders behind the costs",
        order="repaired_at, vehicle_id, repair_id, currency",
    ),
)
