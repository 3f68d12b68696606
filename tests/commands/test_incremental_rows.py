"""The rows that stand in a store are those that were meant, whatever was read again or erased.

No analysis: so many more fleets can be drawn than in ``test_incremental.py``.
"""

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from polars.testing import assert_frame_equal

from afterclear.cut_out import REFUSED
from tests.campaigns import counted, repeats
from tests.commands.fleet_bench import Bench, as_remains, lists_first
from tests.commands.random_fleets import UNHURRIED, Fleet, fleets

_ROWS = ("vehicles", "scans", "clears", "repairs", "rejections")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))


def rows(bench: Bench) -> dict[str, pl.DataFrame]:
    """Give all rows, without the numbers of the loads they came in."""
    return {
        table: bench.ask(f"SELECT * EXCLUDE (load_id) FROM {table} ORDER BY ALL") for table in _ROWS
    }


def check_rows(bench: Bench, fleet: Fleet) -> None:
    """Hold the rows there are against those of a store to which only what is meant ever came."""
    forgotten = bench.go(fleet, lambda _: None)
    found = rows(bench)
    bench.begin()
    for delivery in (
        lists_first(fleet) if fleet.fault else as_remains(fleet, forgotten, bench.refused)
    ):
        bench.load(delivery)
    # what the door refused is told beside it
    found["rejections"] = found["rejections"].filter(pl.col("expected") != REFUSED)
    for table, wanted in rows(bench).items():
        assert_frame_equal(found[table], wanted, check_exact=True)


@settings(UNHURRIED, max_examples=1, phases=[Phase.generate])
@given(fleet=fleets(fewest=2, most=3, turns=("mended",)))
def test_files_read_again_by_a_mended_map_leave_its_rows(bench: Bench, fleet: Fleet) -> None:
    """As if the map had been right and the vehicle lists there from the first."""
    check_rows(bench, fleet)


@settings(UNHURRIED, max_examples=1, phases=[Phase.generate])
@given(fleet=fleets(fewest=2, most=3, turns=("forgotten",)))
def test_a_forgotten_vehicle_leaves_the_rows_of_the_others(bench: Bench, fleet: Fleet) -> None:
    """As if its rows until then had never come."""
    check_rows(bench, fleet)


@pytest.mark.slow
@settings(UNHURRIED, max_examples=repeats(16))
@given(fleet=fleets(turns=("mended", "forgotten")))
def test_many_stores_hold_what_was_meant(bench: Bench, fleet: Fleet) -> None:
    """The same over many more fleets."""
    counted(1, "fleets")
    check_rows(bench, fleet)
