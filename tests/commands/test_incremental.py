"""Analysing after each delivery ends where one full analysis of everything ends.

Random fleets (``random_fleets.py``) are loaded delivery by delivery and analysed each time, only
the vehicles whose rows changed; a second store gets the same files, then one full analysis.
Where files are read again by a mended map, or a vehicle is forgotten, the second store gets what
is meant from the first: the mended map and the vehicle lists, or the rows that remain.
"""

from collections.abc import Sequence
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import Phase, given, settings
from polars.testing import assert_frame_equal

from afterclear.commands.analysis.analysing import analyse
from afterclear.cut_out import REFUSED
from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.histories import build_histories
from afterclear.store.engine.database import open_store, query
from afterclear.store.queries.exports import EXPORTS
from afterclear.store.queries.exports_histories import PAGE_FRAMES
from afterclear.store.queries.exports_roles import PAGE_ROLES
from tests.campaigns import counted, repeats
from tests.commands.fleet_bench import Bench, as_remains, keep_decisions, lists_first
from tests.commands.random_fleets import UNHURRIED, Delivery, Fleet, fleets
from tests.commands.random_vehicles import BEGIN

# everything a person can take out, and what pages show beside it
_COMPARED = {
    f"{of}: {name}": sql
    for of, frames in (
        ("export", EXPORTS), ("pages", PAGE_FRAMES), ("roles", PAGE_ROLES),
        ("findings", PAGE_FINDINGS),
    )
    for name, sql in frames.items()
}  # fmt: skip
_LEDGER = ("export: loads", "pages: loads")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("bench"))


def frames(bench: Bench) -> dict[str, pl.DataFrame]:
    """Give all that is compared."""
    with open_store(bench.app.store, read_only=True) as con:
        return {name: query(con, sql) for name, sql in _COMPARED.items()}


def incremental(bench: Bench, fleet: Fleet) -> list[tuple[int, str]]:
    """Analyse and decide after each delivery; give what was forgotten, as ``Bench.go`` does."""

    def analyse_and_decide(delivery: Delivery) -> None:
        analyse(bench.app, full=delivery.is_full, as_of=delivery.as_of)
        for saying in delivery.sayings:
            bench.say(saying)

    return bench.go(fleet, analyse_and_decide)


def rebuilt(
    bench: Bench, deliveries: Sequence[Delivery], decisions: pl.DataFrame
) -> dict[str, pl.DataFrame]:
    """Load everything, keep what was decided, then analyse once, in full."""
    bench.begin()
    for delivery in deliveries:
        bench.load(delivery)
    with open_store(bench.app.store) as con:
        keep_decisions(con, decisions)
    analyse(bench.app, full=True, as_of=deliveries[-1].as_of)
    return frames(bench)


def check_fleet(bench: Bench, fleet: Fleet) -> dict[str, pl.DataFrame]:
    """Hold what analyses of each delivery end in against one of everything; give it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(build_histories, "BUCKET_ROWS", fleet.bucket_rows)
        forgotten = incremental(bench, fleet)
    assert not bench.ask("FROM analyses ORDER BY analysis_id")["is_full"][-1]
    found = frames(bench)
    if fleet.fault and forgotten:  # a file that lost a vehicle may not be read again
        analyse(bench.app, full=True, as_of=fleet.deliveries[-1].as_of)
        wanted = frames(bench)
    else:
        meant = lists_first(fleet) if fleet.fault else as_remains(fleet, forgotten, bench.refused)
        wanted = rebuilt(bench, meant, found["export: decisions"])
        if fleet.fault or forgotten:
            found, wanted = without_loads(found), without_loads(wanted)
    for name, frame in wanted.items():
        try:
            assert_frame_equal(found[name], frame, check_exact=True)
        except AssertionError as error:
            raise AssertionError(f"{name}:\n{error}\n{found[name]}\n{frame}") from None
    return wanted


def without_loads(told: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Leave out which load a row came in, and when: of files read again, or fewer, it is another.

    ``listed_at`` of a vehicle in stock is the day its list came.
    """
    kept = {
        name: frame.drop("load_id", "listed_at", strict=False)
        for name, frame in told.items()
        if name not in _LEDGER
    }
    # what the door refused of forgotten vehicles is told beside the store that is compared with
    refused = kept["export: rejections"].filter(pl.col("expected") != REFUSED)
    return kept | {"export: rejections": refused.sort(pl.all())}


# not made smaller where it fails: that takes minutes, and the slow test does it
@pytest.mark.slow
@settings(UNHURRIED, max_examples=1, phases=[Phase.generate])
@given(fleet=fleets(fewest=4, turns=("none", "mended", "forgotten")))
def test_analysing_each_delivery_ends_where_one_full_analysis_ends(
    bench: Bench, fleet: Fleet
) -> None:
    """Late, repeated and corrected rows, late lists, decisions, turns: all tables row for row."""
    check_fleet(bench, fleet)


_SCAN = "vehicle_id,scan_id,scanned_at,odometer_km,scan_scope,ecu,code,description\n"


def two_deliveries(first: str, second: str, *, late: str = "scans") -> Fleet:
    """Give a scan file in March 2025, and another file the month after."""
    files = ({"scans.csv": _SCAN + first}, {f"{late}.csv": second})
    days = (BEGIN + timedelta(days=30), BEGIN + timedelta(days=60))
    return Fleet(
        (),
        tuple(
            Delivery(files=f, at=at, as_of=at, is_full=False, sayings=())
            for f, at in zip(files, days, strict=True)
        ),
    )


@pytest.mark.slow
def test_a_maker_told_late_leaves_no_words_of_the_time_before(bench: Bench) -> None:
    """A code named by its words alone would get those of a family nobody has any more."""
    shown = "V1,S1,2025-03-02T08:00:00Z,10000,full,engine,P1351,\n"
    fleet = two_deliveries(shown, "vehicle_id,make\nV1,Veldrun\n", late="vehicles")
    assert check_fleet(bench, fleet)["roles: roles"]["family_label"].to_list() == [
        "P1351 (Veldrun)"
    ]


@pytest.mark.slow
def test_a_row_dated_later_than_an_analysis_counts_in_the_first_one_after_its_date(
    bench: Bench,
) -> None:
    """Nothing more comes of V1: only the passing of time makes its row count."""
    later = "V1,S1,2025-04-01T08:00:00Z,10000,full,engine,P0301,\n"
    other = "V2,S2,2025-04-02T08:00:00Z,10000,full,engine,,\n"
    found = check_fleet(bench, two_deliveries(later, _SCAN + other))
    assert found["export: episodes"]["vehicle_id"].to_list() == ["V1"]


@pytest.mark.slow
def test_what_two_tools_call_a_makers_code_is_the_same_whoever_was_rebuilt_last(
    bench: Bench,
) -> None:
    """Only V2 is rebuilt by the second analysis; its tool's words must not oust those of V1's."""
    first = "V1,S1,2025-03-02T08:00:00Z,10000,full,engine,P1351,aft trim flag\n"
    second = "V2,S2,2025-04-02T08:00:00Z,10000,full,engine,P1351,zeta trim flag\n"
    check_fleet(bench, two_deliveries(first, _SCAN + second))


@pytest.mark.slow
@settings(UNHURRIED, max_examples=repeats(8))
@given(fleet=fleets(turns=("none", "mended", "forgotten", "both")))
def test_many_fleets_end_where_one_full_analysis_ends(bench: Bench, fleet: Fleet) -> None:
    """The same over many more fleets."""
    counted(1, "fleets")
    check_fleet(bench, fleet)
