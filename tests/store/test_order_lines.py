"""Lines of a work order that name no part: none is lost, none counts twice."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from afterclear.load import Arrival, load_files
from afterclear.records import LoadResult
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import open_store, query
from tests.store.deliveries import NOON, adds_up, write

pytestmark = pytest.mark.slow

HEAD = "repair_id,vehicle_id,repaired_at,odometer_km,notes,labour_cost\n"
COIL = "R1,V-01,2026-03-03,124001,Ignition coil cylinder 1 replaced,61.50"
CABLE = "R1,V-01,2026-03-03,124001,Ground cable renewed,72.00"
FLUID = "R1,V-01,2026-03-03,124001,Brake fluid changed,18.00"
_MAPPED_HEAD = "Job,Unit,Day,Km,Work,Labour\n"
_MAP = 'kind = "delimited"\nfiles = ["*"]\n[[table]]\ninto = "repairs"\n[table.columns]\n'


class Orders:
    """A store of orders; each test has an order of its own in it."""

    def __init__(self, con: Connection, folder: Path) -> None:
        self.con, self.folder = con, folder
        self.n_files = self.n_orders = 0

    def begin(self) -> None:
        """Begin another order."""
        self.n_orders += 1

    def deliver(self, *files: list[str], hour: int | None = None, head: str = HEAD,
                imports: Path | None = None) -> LoadResult:  # fmt: skip
        """Load files of these lines, each written an hour after the last; give the last result."""
        for lines in files:
            self.n_files += 1
            text = head + "".join(f"{line}\n" for line in lines)
            text = text.replace("R1,V-01", f"R{self.n_orders},V-{self.n_orders:02}")
            path = write(self.folder, f"{self.n_files}.csv", text)
            at = 1_790_000_000 + 3600 * (self.n_files if hour is None else hour)
            os.utime(path, (at, at))
            arrival = [Arrival("test", path, path.name, "UTC")]
            (result,) = load_files(self.con, self.folder / "archive", arrival, lambda: NOON,
                                   imports)  # fmt: skip
            assert adds_up([result])
        return result

    def stored(self) -> list[float]:
        """Give the amounts of the order's lines."""
        sql = f"SELECT labour_cost FROM repairs WHERE repair_id = 'R{self.n_orders}' ORDER BY ALL"
        return query(self.con, sql)["labour_cost"].to_list()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Orders]:
    folder = tmp_path_factory.mktemp("orders")
    with open_store(folder / "store.duckdb") as con:
        yield Orders(con, folder)


@pytest.fixture
def orders(shared: Orders) -> Orders:
    shared.begin()
    return shared


def test_two_lines_of_an_order_without_parts_both_stay(orders: Orders) -> None:
    result = orders.deliver([COIL, CABLE])
    assert (result.rows_stored, result.rows_corrected) == (2, 0)
    assert orders.stored() == [61.5, 72.0]


def test_lines_with_one_text_and_two_amounts_both_stay(orders: Orders) -> None:
    orders.deliver([FLUID, FLUID.replace("18.00", "19.00")])
    assert orders.stored() == [18.0, 19.0]


def test_equal_lines_are_one_line(orders: Orders) -> None:
    assert orders.deliver([FLUID, COIL, FLUID]).rows_duplicate == 1
    assert orders.stored() == [18.0, 61.5]


def test_a_line_whose_order_changed_its_distance_is_the_same_line(orders: Orders) -> None:
    mended = [line.replace("124001", "124100") for line in (COIL, CABLE)]
    assert orders.deliver([COIL, CABLE], mended).rows_corrected == 2
    assert orders.stored() == [61.5, 72.0]


def test_a_full_export_each_night_brings_nothing_new_in_any_order(orders: Orders) -> None:
    other = FLUID.replace("R1", "other")
    result = orders.deliver([COIL, CABLE], [CABLE, COIL, other], [other, COIL, CABLE, FLUID])
    assert (result.rows_stored, result.rows_duplicate, result.rows_corrected) == (1, 3, 0)
    assert orders.stored() == [18.0, 61.5, 72.0]


@pytest.mark.parametrize(
    ("old", "new", "stands"),
    [
        ([COIL, CABLE], [COIL, CABLE.replace("72.00", "75.00")], [61.5, 75.0]),
        ([COIL, CABLE], [CABLE, COIL.replace("coil", "coils")], [61.5, 72.0]),
        ([COIL], [COIL.replace("61.50", "65.00")], [65.0]),
        ([COIL, CABLE], [CABLE.replace("renewed", "renewed and cleaned")], [61.5, 72.0]),
        ([COIL, CABLE], [COIL.replace("coil", "coils"), CABLE, FLUID], [18.0, 61.5, 72.0]),
    ],
    ids=["an amount", "a note", "the only line", "one line alone", "and a new line"],
)
def test_a_corrected_line_replaces_its_old_one(
    orders: Orders, old: list[str], new: list[str], stands: list[float]
) -> None:
    assert orders.deliver(old, new).rows_corrected == 1
    assert orders.stored() == stands


def test_a_line_that_may_be_new_or_corrected_is_refused(orders: Orders) -> None:
    assert orders.deliver([COIL], [FLUID]).rows_rejected == 1
    assert orders.stored() == [61.5]


def test_a_line_is_refused_beside_a_faulty_row_as_without_it(orders: Orders) -> None:
    orders.deliver([COIL, CABLE])
    faulty = COIL.replace("R1", "other").replace("2026-03-03", "soon")
    result = orders.deliver([FLUID, faulty])
    assert (result.rows_rejected, result.rows_stored) == (2, 0)
    assert orders.stored() == [61.5, 72.0]


def test_a_line_is_refused_through_a_map_as_without_one(orders: Orders) -> None:
    orders.deliver([COIL, CABLE])
    heads = dict(zip(HEAD.strip().split(","), _MAPPED_HEAD.strip().split(","), strict=True))
    columns = "".join(f'{name} = {{ from = "{head}" }}\n' for name, head in heads.items())
    maps = orders.folder / "maps"
    maps.mkdir()
    write(maps, "orders.toml", _MAP + columns)
    result = orders.deliver([FLUID], head=_MAPPED_HEAD, imports=maps)
    assert (result.rows_rejected, result.rows_stored) == (1, 0)
    assert orders.stored() == [61.5, 72.0]


def test_a_line_like_two_stored_ones_is_refused(orders: Orders) -> None:
    twins = [FLUID, FLUID.replace("18.00", "19.00")]
    assert orders.deliver(twins, [FLUID.replace("18.00", "20.00")]).rows_rejected == 1
    assert orders.stored() == [18.0, 19.0]


def test_a_removed_line_stays_until_its_load_is_retracted(orders: Orders) -> None:
    assert orders.deliver([COIL, CABLE], [COIL]).rows_duplicate == 1
    assert orders.stored() == [61.5, 72.0]


def test_an_older_export_brings_no_corrected_line_back(orders: Orders) -> None:
    orders.deliver([COIL, CABLE], hour=1)
    orders.deliver([COIL, CABLE.replace("72.00", "75.00")], hour=9)
    late = orders.deliver([COIL, CABLE, FLUID], hour=3)
    assert (late.rows_stored, late.rows_duplicate) == (1, 2)
    assert orders.stored() == [18.0, 61.5, 75.0]


def test_a_refused_line_is_mended_by_itself_and_not_by_another_line(orders: Orders) -> None:
    def listed() -> int:
        sql = f"SELECT 1 FROM rejections WHERE row_json LIKE '%R{orders.n_orders}\"%'"
        return len(query(orders.con, sql))

    orders.deliver([COIL], [FLUID])
    orders.deliver([COIL, CABLE])
    assert listed() == 1
    orders.deliver([COIL, CABLE, FLUID])
    assert listed() == 0


@pytest.mark.parametrize(
    ("stored", "later"),
    [
        # other places, however like the words
        (["Replaced speed sensor front left,90"], ["Replaced speed sensor rear right,120"]),
        (["Coil cylinder 1 replaced,60"], ["Coil cylinder 3 replaced,60"]),
        # nothing paid is nothing alike
        (["Software update of gateway,0"], ["Glow plug 3 drilled out,0"]),
        # a line that came again decides nothing about another
        (["Road test,0", "Repaired wiring of abs,80"], ["Road test,0", "Cleaned throttle,60"]),
    ],
)  # fmt: skip
def test_another_job_never_replaces_a_line(
    orders: Orders, stored: list[str], later: list[str]
) -> None:
    """What nothing decides is refused, and the stored work stays."""
    first = [f"R1,V-01,2026-03-03,124001,{line}" for line in stored]
    orders.deliver(first)
    before = orders.stored()
    result = orders.deliver([f"R1,V-01,2026-03-03,124001,{line}" for line in later])
    assert (orders.stored(), result.rows_rejected) == (before, 1)
