"""Orders with a row for each code: the line counts once, with all its codes."""

import polars as pl
import pytest

from afterclear.plain import APART, Takes
from afterclear.records import PlainRows
from afterclear.store.engine.database import query
from afterclear.store.intake.absorb import absorb
from afterclear.take_in import SPELLERS
from tests.store.test_order_lines import Orders, orders, shared

pytestmark = pytest.mark.slow

__all__ = ["orders", "shared"]
PLACES = {"P0301": {"cylinder": "1"}, "P0302": {"cylinder": "2"}, "P0420": {"bank": "1"},
          "P0421": {"bank": "1"}, "P0430": {"bank": "2"}}  # fmt: skip
HEAD = "repair_id,vehicle_id,repaired_at,odometer_km,codes,notes,labour_cost,part_number,step\n"
WORK = "R1,V-01,2026-03-03,124001,{},Catalyst renewed,180.00,,{}"
PART = "R1,V-01,2026-03-03,124001,{},Catalyst renewed,180.00,K-77,{}"


COIL = "R1,V-01,2026-03-03,124001,{},Ignition coil renewed,61.50,K-1,"


@pytest.fixture(autouse=True)
def with_places(orders: Orders) -> None:
    orders.con.takes = Takes(places_of=lambda code: PLACES.get(code, {}))


def lines(orders: Orders, columns: str = "codes, labour_cost") -> list[tuple[object, ...]]:
    """Give the order's lines as they stand."""
    sql = f"SELECT {columns} FROM repairs WHERE repair_id = 'R{orders.n_orders}' ORDER BY ALL"
    return query(orders.con, sql).rows()


@pytest.mark.parametrize("line", [WORK, PART], ids=["work alone", "a part"])
def test_rows_that_differ_in_their_code_only_are_one_line_with_several_codes(
    orders: Orders, line: str
) -> None:
    rows = [line.format(code, step) for step, code in enumerate(("P0421", "P0420", "", "P0421"))]
    result = orders.deliver(rows, head=HEAD)
    assert lines(orders) == [("P0420 P0421", 180.0)]
    assert (result.rows_read, result.rows_stored, result.rows_duplicate) == (4, 1, 3)
    assert (result.rows_corrected, result.rows_rejected) == (0, 0)
    assert "lines of orders told once for each code: 1, in 4 rows" in result.note


@pytest.mark.parametrize(
    ("line", "codes"),
    [(COIL, ("P0301", "P0302")), (WORK, ("P0420", "P0430")), (PART, ("P0420 P0301", "P0430"))],
    ids=["coils", "catalysts", "several codes"],
)
def test_rows_that_differ_in_codes_of_different_places_are_refused(
    orders: Orders, line: str, codes: tuple[str, str]
) -> None:
    """They may be a part for each place, or one job told once for each code."""
    result = orders.deliver([line.format(code, 1) for code in codes], head=HEAD)
    assert (result.rows_rejected, lines(orders)) == (2, [])


@pytest.mark.parametrize(
    ("said", "stands"),
    [
        ("one", [("P0301 P0302", None, 61.5)]),
        ("each", [("P0301", "cylinder 1", 61.5), ("P0302", "cylinder 2", 61.5)]),
    ],
)
def test_a_map_says_whether_rows_of_different_places_are_one_line(
    orders: Orders, said: str, stands: list[tuple[object, ...]]
) -> None:
    names = [*HEAD.strip().split(","), APART]
    line = COIL.replace("R1", said)
    rows = [dict(zip(names, [*line.format(code).split(","), said], strict=True))
            for code in ("P0301", "P0302")]  # fmt: skip
    for load in (901, 902):  # delivered again it brings nothing new
        frame = pl.DataFrame(rows).with_row_index("_line", 2).cast({"_line": pl.Int64})
        absorb(orders.con, PlainRows("repairs", frame), load, zone="UTC", spellers=SPELLERS)
    sql = "SELECT codes, position, labour_cost FROM repairs WHERE repair_id = ? ORDER BY ALL"
    assert query(orders.con, sql, [said]).rows() == stands


@pytest.mark.parametrize("line", [COIL, COIL.replace("K-1", "")], ids=["a part", "work alone"])
def test_the_second_of_two_coils_that_comes_alone_does_not_replace_the_first(
    orders: Orders, line: str
) -> None:
    """It may be a corrected code or the other coil: nothing decides, so it is refused."""
    result = orders.deliver([line.format("P0301")], [line.format("P0302")], head=HEAD)
    assert (result.rows_rejected, lines(orders)) == (1, [("P0301", 61.5)])


def test_a_code_that_is_corrected_within_its_place_replaces_the_line(orders: Orders) -> None:
    result = orders.deliver([WORK.format("P0420", 1)], [WORK.format("P0421", 1)], head=HEAD)
    assert (result.rows_corrected, lines(orders)) == (1, [("P0421", 180.0)])


def test_the_rows_of_an_order_beside_those_of_different_places_are_stored(orders: Orders) -> None:
    rows = [COIL.format("P0301"), WORK.format("P0420", 1), COIL.format("P0302")]
    assert orders.deliver(rows, head=HEAD).rows_rejected == 2
    assert lines(orders) == [("P0420", 180.0)]


def test_rows_of_different_places_are_lines_where_they_say_the_position(orders: Orders) -> None:
    rows = [f"{COIL.format(f'P030{n}')},cylinder {n}" for n in (1, 2)]
    orders.deliver(rows, head=HEAD.strip() + ",position\n")
    assert lines(orders) == [("P0301", 61.5), ("P0302", 61.5)]


def test_a_quantity_of_as_many_as_there_are_places_is_one_line_for_all(orders: Orders) -> None:
    rows = [f"{COIL.format(code)},2" for code in ("P0301", "P0302")]
    orders.deliver(rows, head=HEAD.strip() + ",quantity\n")
    assert lines(orders) == [("P0301 P0302", 61.5)]


def test_what_else_differs_on_the_rows_of_a_line_is_kept_together(orders: Orders) -> None:
    orders.deliver([WORK.format("P0421", "b"), WORK.format("P0420", "a")], head=HEAD)
    assert lines(orders, "extras") == [('{"step":"a | b"}',)]


@pytest.mark.parametrize("other", [("180.00", "95.00"), ("renewed", "glued"), ("124001", "9")])
def test_rows_that_differ_in_more_than_their_code_stay_lines_of_their_own(
    orders: Orders, other: tuple[str, str]
) -> None:
    orders.deliver([WORK.format("P0420", 1), WORK.format("P0421", 2).replace(*other)], head=HEAD)
    assert [codes for codes, _ in lines(orders)] == ["P0420", "P0421"]


def test_such_an_order_delivered_again_brings_nothing_new(orders: Orders) -> None:
    rows = [WORK.format("P0420", 1), WORK.format("P0421", 2)]
    other = WORK.format("P0001", 1).replace("R1,", "other,")
    result = orders.deliver(rows, [*reversed(rows), other], head=HEAD)
    assert (result.rows_stored, result.rows_corrected, result.rows_duplicate) == (1, 0, 2)
    assert lines(orders) == [("P0420 P0421", 180.0)]


def test_a_line_stored_once_for_each_code_before_is_replaced_by_the_one_with_all(
    orders: Orders,
) -> None:
    """Stores of earlier versions hold a line for each code."""
    orders.deliver([WORK.format("P0420", 1)], head=HEAD)
    sql = f"""INSERT INTO repairs SELECT * REPLACE ('P0421' AS codes) FROM repairs
        WHERE repair_id = 'R{orders.n_orders}'"""
    orders.con.execute(sql)
    result = orders.deliver([WORK.format("P0420", 1), WORK.format("P0421", 2)], head=HEAD)
    assert lines(orders) == [("P0420 P0421", 180.0)]
    assert (result.rows_corrected, result.rows_rejected) == (2, 0)


def test_a_line_of_several_codes_that_is_refused_is_refused_whole(orders: Orders) -> None:
    washed = WORK.format("P0001", 1).replace("Catalyst renewed,180", "Washed,20")
    orders.deliver([washed], head=HEAD)
    result = orders.deliver([WORK.format("P0420", 1), WORK.format("P0421", 2)], head=HEAD)
    assert (result.rows_rejected, result.rows_stored) == (2, 0)
    assert [codes for codes, _ in lines(orders)] == ["P0001"]
