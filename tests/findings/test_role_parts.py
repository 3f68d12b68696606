"""Pairs and roles counted by number and in parts are those of the whole fleet, told plainly."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from afterclear.findings.common.rows_by_vehicle import ByVehicle
from afterclear.findings.roles import find_roles as roles
from afterclear.findings.roles import pair_evidence as roles_data
from afterclear.findings.roles.find_roles import find_roles
from afterclear.findings.roles.pair_evidence import count_pairs
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.roles.role_parts import fleet_parts
from afterclear.findings.verdicts import judge_attempts
from afterclear.store.engine.database import Connection, open_store, query
from tests.findings.fleet_of_causes import Cause, Echo, Fleet, Plan, simulate
from tests.histories.story import CATALOGUE, Story, build, told

pytestmark = pytest.mark.slow

PLAINLY = Path(__file__).with_name("pairs_by_joins.sql").read_text(encoding="utf-8")
PLAN = Plan(
    (
        Cause("a", ("engine", "P1105"), 0.4, (
            Echo(("transmission", "P1790"), 0.8, 300), Echo(("brakes", "U0100"), 0.6),
        )),
        Cause("b", ("brakes", "C0031-13"), 0.3, (Echo(("steering", "U0415-86"), 0.7),)),
        Cause("low", ("engine", "P0562"), 0.2, (
            Echo(("brakes", "U3003-16"), 0.8), Echo(("steering", "U3003-16"), 0.8),
        )),
        Cause("i", ("brakes", "C1210"), 0.3),
        Cause("j", ("engine", "P1250"), 0.3),
    ),
    ("engine", "transmission", "brakes", "steering", "gateway"),
    coverage={"brakes": 0.7, "steering": 0.9},
    n_vehicles=30,
    seed=3,
)  # fmt: skip


def awkward() -> Fleet:
    """Give a fleet with what makes counting hard.

    Two units a vehicle calls by names of one function, silent units, codes that are only a sign,
    units that tell the km of a code, two scans at one time, and clears at the time of a scan.
    """
    fleet = simulate(PLAN)
    twins = []
    for number, row in enumerate(fleet.scans):
        vehicle = int(row["vehicle_id"][1:])
        row |= {"status": None, "ecu_response": None, "first_seen_km": None}
        if vehicle % 3 == 0 and row["ecu"] == "gateway":
            row |= {"ecu": "ABS", "code": "C1210" if number % 2 else None}
        if row["code"] is None and number % 20 == 0:
            row["ecu_response"] = "no_answer"
        if row["code"] and number % 7 == 0:
            row["status"] = "pending"
        if row["code"] and number % 4:
            row["first_seen_km"] = f"{float(row['odometer_km']) - 100 - number % 70:.0f}"
        if vehicle % 4 == 0:
            twins.append(row | {"scan_id": f"{row['scan_id']}-again"})
    for row in fleet.scans[::25]:
        fleet.clears.append(
            {"vehicle_id": row["vehicle_id"], "cleared_at": row["scanned_at"],
             "odometer_km": row["odometer_km"]}
        )  # fmt: skip
    fleet.scans += twins
    return fleet


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    with open_store(tmp_path_factory.mktemp("parts") / "store.duckdb") as con:
        awkward().load(con)
        build(con)
        judge_attempts(con, 0.05)
        yield con


def test_a_vehicles_scans_are_numbered_in_one_run_in_the_order_of_time(con: Connection) -> None:
    """What parts of a fleet, the worklist and the stock audit rest on."""
    scans = query(con, "SELECT vehicle_id, scan_no FROM store.scan_moments ORDER BY scan_no")
    in_time = query(
        con,
        """SELECT vehicle_id, scan_no FROM store.scan_moments
           ORDER BY min(scan_no) OVER (PARTITION BY vehicle_id), seen_at, scan_id""",
    )
    assert_frame_equal(scans, in_time)


def test_pairs_are_counted_as_by_joining_every_reading_with_every_other(con: Connection) -> None:
    """All 2x2 tables and orders, also of pairs far too rare to be weighed."""
    count_pairs(con, FactBook(CATALOGUE))
    con.execute("SET VARIABLE min_both = 1")
    con.script(roles_data.role_sql("pairs"))
    con.script(PLAINLY)
    pairs = query(con, "SELECT * EXCLUDE (fault_a, fault_b) FROM role_candidates ORDER BY pair")
    plainly = query(con, "FROM joined_candidates ORDER BY pair").select(pairs.columns)
    assert_frame_equal(pairs, plainly, check_dtypes=False)
    assert len(pairs) > 30
    cells = query(con, "FROM role_cells ORDER BY way, low_supply, many")
    assert_frame_equal(
        cells, query(con, "FROM joined_cells ORDER BY way, low_supply, many"), check_dtypes=False
    )
    assert all(cells[cell].sum() > 50 for cell in "abcd")
    # ways that never could have an order have a row of zeros in the one, none in the other
    order = "SELECT * FROM {} WHERE n_after + n_exposed + n_told + n_tied > 0 ORDER BY way"
    counted = query(con, order.format("role_order"))
    assert_frame_equal(counted, query(con, order.format("joined_order")), check_dtypes=False)
    assert all(counted[name].sum() > 0 for name in counted.columns), counted.sum()


def test_parts_of_a_fleet_are_told_as_the_whole(
    con: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Parts of a few vehicles give the tables that one part for all gives."""
    tables = ("roles", "role_pairs", "leftovers", "echo_work")

    def found() -> list[pl.DataFrame]:
        find_roles(con, CATALOGUE)
        return [query(con, f"FROM store.{table} ORDER BY ALL") for table in tables]

    whole = found()
    parts: list[int] = []

    def small_parts(con: Connection, _: int = 0) -> Iterator[None]:
        for part in fleet_parts(con, 400):
            parts.append(1)
            yield part

    monkeypatch.setattr(roles, "fleet_parts", small_parts)
    monkeypatch.setattr(roles_data, "fleet_parts", small_parts)
    for one, other in zip(whole, found(), strict=True):
        assert_frame_equal(one, other)
        assert len(one)
    assert len(parts) >= 2 * 5


def test_what_a_tool_says_of_a_code_counts_whatever_it_calls_the_unit(tmp_path: Path) -> None:
    """The text points at the brakes; the unit is known as ECM in the file only."""
    text = {"codes": ["P1690"], "description": "no communication with ABS"}
    story = Story().scan(0, 1000, ECM=text, ABS=["C0110-12"])
    with told(tmp_path, story) as con:
        judge_attempts(con, 0.05)
        find_roles(con, CATALOGUE)
        rows = query(con, "SELECT code, role, primary_code FROM store.roles ORDER BY code").rows()
    assert rows == [("C0110-12", "primary", None), ("P1690", "consequential", "C0110-12")]


def test_rows_are_read_along_with_vehicles_asked_for_in_order() -> None:
    """Vehicles without rows and rows of vehicles nobody asks for are passed over."""
    frame = pl.DataFrame({"vehicle_id": ["A", "B", "B", "D"], "n": [1, 2, 3, 4]})
    rows = ByVehicle(frame)
    assert [[r["n"] for r in rows.of(v)] for v in ("0", "B", "C", "D", "E")] == [
        [], [2, 3], [], [4], [],
    ]  # fmt: skip
    assert not ByVehicle(frame.head(0)).of("A")
