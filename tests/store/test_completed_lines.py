"""Lines of a work order that named no part, and name it in a later delivery."""

import pytest

from afterclear.records import LoadResult
from afterclear.store.engine.database import query, scalar, transaction
from afterclear.store.intake.withdrawal import withdraw
from tests.store.test_order_lines import Orders, orders, shared

pytestmark = pytest.mark.slow

__all__ = ["orders", "shared"]
HEAD = "repair_id,vehicle_id,repaired_at,notes,labour_cost,part_cost,part_number,codes\n"
BARE = "R1,V-01,2026-03-03,Ignition coil renewed,61.50,40.00,,"
WHOLE = "R1,V-01,2026-03-03,Ignition coil renewed,61.50,40.00,K-1,P0301"
CABLE = "R1,V-01,2026-03-03,Ground cable renewed,72.00,,,"


def deliver(orders: Orders, *files: list[str]) -> LoadResult:
    return orders.deliver(*files, head=HEAD)


def parts(orders: Orders) -> list[tuple[str | None, float]]:
    """Give part and labour of the order's lines."""
    sql = f"""SELECT part_number, labour_cost FROM repairs
        WHERE repair_id = 'R{orders.n_orders}' ORDER BY ALL"""
    return query(orders.con, sql).rows()


def n_replaced(orders: Orders) -> int:
    sql = f"SELECT count(*) FROM superseded WHERE row_json LIKE '%\"R{orders.n_orders}\"%'"
    return scalar(orders.con, sql)


@pytest.mark.parametrize("beside", [[], [CABLE]], ids=["alone", "in the whole order"])
def test_a_line_that_names_its_part_later_is_the_same_line(
    orders: Orders, beside: list[str]
) -> None:
    result = deliver(orders, [BARE, CABLE], [WHOLE, *beside])
    assert parts(orders) == [("K-1", 61.5), (None, 72.0)]
    assert (result.rows_corrected, n_replaced(orders)) == (1, 1)


@pytest.mark.parametrize(
    "other",
    [("coil", "lead"), ("61.50", "65.00"), ("40.00", "41.00"), ("03-03", "03-04")],
    ids=["text", "labour", "price", "day"],
)
def test_another_job_with_a_part_replaces_no_line(orders: Orders, other: tuple[str, str]) -> None:
    deliver(orders, [BARE], [WHOLE.replace(*other)])
    assert len(parts(orders)) == 2
    assert n_replaced(orders) == 0


def test_lines_of_another_place_or_other_codes_replace_no_line(orders: Orders) -> None:
    deliver(orders, [BARE + "P0303"], [WHOLE])
    assert len(parts(orders)) == 2


@pytest.mark.parametrize("before", [BARE, WHOLE], ids=["without", "with its part"])
def test_a_line_that_comes_without_a_part_beside_the_one_with_it_is_a_line_of_its_own(
    orders: Orders, before: str
) -> None:
    deliver(orders, [before], [BARE, WHOLE])
    assert parts(orders) == [("K-1", 61.5), (None, 61.5)]


def test_two_lines_with_parts_that_may_be_the_one_without_are_refused(orders: Orders) -> None:
    result = deliver(orders, [BARE], [WHOLE, WHOLE.replace("K-1", "K-2")])
    assert result.rows_rejected == 2
    assert parts(orders) == [(None, 61.5)]


def test_a_line_that_comes_again_without_its_part_adds_nothing(orders: Orders) -> None:
    result = deliver(orders, [WHOLE], [BARE, CABLE])
    assert parts(orders) == [("K-1", 61.5), (None, 72.0)]
    assert (result.rows_stored, result.rows_duplicate) == (1, 1)


def test_two_lines_without_a_part_that_may_be_the_one_with_it_are_refused(orders: Orders) -> None:
    result = deliver(orders, [WHOLE], [BARE, BARE.replace("40.00", "")])
    assert result.rows_rejected == 2
    assert parts(orders) == [("K-1", 61.5)]


def test_when_the_load_that_named_the_part_is_withdrawn_the_line_stands_as_before(
    orders: Orders,
) -> None:
    result = deliver(orders, [BARE], [WHOLE])
    assert result.load_id is not None
    with transaction(orders.con):
        withdraw(orders.con, [result.load_id], result.load_id)
    assert parts(orders) == [(None, 61.5)]
