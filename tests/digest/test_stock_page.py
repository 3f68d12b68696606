"""The stock page's own figures: days in stock, and what repairs cost."""

import json
from datetime import UTC, date, datetime

import pytest

from afterclear.digest.audience.stock import RepairCost, repair_costs
from afterclear.digest.common.stock_state import in_stock_since
from afterclear.digest.input.finding_rows import Stock, WorkRow
from afterclear.wording.cells import Cells

AS_OF = datetime(2026, 10, 27, 23, 30, tzinfo=UTC)  # 28 October in Berlin
BOUGHT, LISTED = date(2026, 10, 5), datetime(2026, 10, 20, 8, tzinfo=UTC)
OF_COMPONENT = '[["cost_of_component", {"orders": 10, "component": "misfire"}]]'
OF_ALL = '[["cost_of_all_orders", {"orders": 33, "currency": "CHF"}]]'


def stock(bought: date | None, listed: datetime | None, *, elsewhere: bool | None = False) -> Stock:
    return Stock("Y-1", "ready", None, None, None, "[]", acquired_on=bought, listed_at=listed,
                 was_elsewhere=elsewhere)  # fmt: skip


@pytest.mark.parametrize(
    ("row", "days"),
    [
        (stock(BOUGHT, LISTED), 23),
        (stock(None, LISTED), 8),
        (stock(BOUGHT, LISTED, elsewhere=True), 8),  # bought for the fleet, years ago
        (stock(None, None), None),
        (stock(None, datetime(2026, 11, 29, tzinfo=UTC)), None),  # listed afterwards
    ],
)
def test_days_in_stock_count_from_the_purchase_or_the_first_list_as_stock(
    row: Stock, days: int | None
) -> None:
    assert in_stock_since(row, AS_OF, Cells(zone="Europe/Berlin")).days == days


def repair(vehicle: str, grounds: str, *, attempts: str = "", kind: str = "bring_in") -> WorkRow:
    return WorkRow(vehicle, 1, json.dumps([]), "[]", "[]", safety=False, attempt_ids=attempts,
                   audience="stock", kind=kind, expected_loss=250.0, currency="CHF",
                   cost_grounds=grounds)  # fmt: skip


def test_only_repairs_with_orders_of_their_kind_have_a_price() -> None:
    """The median of all orders says nothing of one; a fix on watch is weighed by its chance."""
    work = (
        repair("Y-1", OF_COMPONENT),
        repair("Y-2", OF_COMPONENT),
        repair("Y-3", OF_ALL),
        repair("Y-4", OF_COMPONENT, attempts="A1"),
        repair("Y-5", OF_COMPONENT, kind="scan"),
    )
    assert repair_costs(work) == (RepairCost(500.0, "CHF", 2),)
