"""Amounts of the whole order that each of its rows tells: they stand in one row, and are kept."""

from pathlib import Path

import pytest

from afterclear.plain import Takes
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.records import PlainRows
from afterclear.store.engine.database import query
from afterclear.store.intake.absorb import absorb
from tests.readers.samples import deliver
from tests.readers.test_import_maps import ORDERS, made
from tests.store.test_order_lines import Orders, orders, shared

__all__ = ["orders", "shared"]
HEAD = "r,v,t,n,l,o\n"
MAP = f'{ORDERS}odometer_km = "o"\n'


def costs(orders: Orders, folder: Path, *lines: str) -> dict[str, float | None]:
    """Load orders through the map; give what each line that stands costs."""
    orders.con.takes = Takes(max_km=1e6)
    number = f"once-{folder.name}"
    raw = HEAD + "".join(f"{number},V-01,{line}\n" for line in lines)
    (part,) = MapReader(made(MAP)).read(deliver(folder, "a.csv", raw.encode())).parts
    assert isinstance(part, PlainRows)
    absorb(orders.con, part, 900, zone="UTC", spellers={})
    sql = "SELECT notes, labour_cost FROM repairs WHERE repair_id = ?"
    return dict(query(orders.con, sql, [number]).rows())


@pytest.mark.parametrize("turn", [1, -1])
def test_an_amount_told_in_each_row_of_an_order_counts_once_in_any_order_of_rows(
    orders: Orders, tmp_path: Path, turn: int
) -> None:
    lines = ["2025-01-01,coil,60,9", "2025-01-01,plug,60,9"]
    assert costs(orders, tmp_path, *lines[::turn]) == {"coil": 60.0, "plug": None}


@pytest.mark.parametrize(
    "refused",
    ["soon,coil,60,9", "2025-01-01,coil,many,9", "2025-01-01,coil,60,99999999"],
    ids=["by the map", "its amount", "by the store"],
)
def test_the_whole_orders_amount_stays_where_one_of_its_rows_is_refused(
    orders: Orders, tmp_path: Path, refused: str
) -> None:
    assert costs(orders, tmp_path, refused, "2025-01-01,plug,60,9") == {"plug": 60.0}
