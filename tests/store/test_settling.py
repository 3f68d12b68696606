"""What is looked at when a file's rows are in: mended rows, doubtful VINs, odd distances."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.catalogue.vin import check_digit_sum, model_years, read_vin
from afterclear.histories.odometer import is_plausible
from afterclear.store.engine.database import Connection, open_store
from afterclear.store.intake.withdrawal import withdraw
from afterclear.store.queries.exports import EXPORTS
from afterclear.store.settling.doubts import _follows
from afterclear.store.upkeep.checks import check_rows
from tests.store.deliveries import HEAD, load, rows, write

pytestmark = pytest.mark.slow

SCAN = "{scan},V1,{at},{km},engine,{code},{status}\n"
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "store.duckdb"


def scan(
    code: str = "P0301",
    *,
    scan: str = "S1",
    at: str = "2025-03-01T08:00:00Z",
    km: str = "10",
    status: str = "",
) -> str:
    return SCAN.format(scan=scan, at=at, km=km, code=code, status=status)


def refused(store: Path) -> list[tuple[object, ...]]:
    with open_store(store) as con:
        assert not [f for f in check_rows(con) if f.n_breaches]
    return rows(store, "SELECT load_id, column_name FROM rejections ORDER BY ALL")


@pytest.mark.parametrize(
    "wrong", [scan("PO3O1X"), scan(at="never"), scan(km="-1"), scan(status="odd")]
)
def test_a_mended_row_clears_its_refusal(store: Path, tmp_path: Path, wrong: str) -> None:
    first = write(tmp_path, "a.csv", HEAD + wrong + scan("P0420", scan="S2"))
    load(store, first)
    assert len(refused(store)) == 1
    result = load(store, write(tmp_path, "b.csv", HEAD + scan()))[0]
    assert refused(store) == []
    assert "rows refused before that came mended: 1" in result.note
    assert rows(store, "SELECT load_id, replaced_by FROM replaced_rejections") == [(1, 2)]


def test_another_row_clears_none(store: Path, tmp_path: Path) -> None:
    load(store, write(tmp_path, "a.csv", HEAD + scan(km="-1") + scan("PO3O1X", scan="")))
    load(store, write(tmp_path, "b.csv", HEAD + scan("P0302") + scan(scan="S2")))
    assert refused(store) == [(1, "odometer_km"), (1, "scan_id")]


def test_a_line_of_a_work_order_and_a_vehicle_are_cleared_likewise(
    store: Path, tmp_path: Path
) -> None:
    order = "repair_id,vehicle_id,repaired_at,action,part_family\nR1,V1,{},replace,{}\n"
    car = "vehicle_id,model_year,make,model\nV1,{},Auren,Kolibri\n"
    load(store, write(tmp_path, "a.csv", order.format("never", "coil")))
    load(store, write(tmp_path, "b.csv", car.format("19x9")))
    load(store, write(tmp_path, "c.csv", order.format("2025-03-01", "plug")))  # another line
    assert len(refused(store)) == 2
    load(store, write(tmp_path, "d.csv", order.format("2025-03-01", "coil")))
    load(store, write(tmp_path, "e.csv", car.format("2019")))
    assert refused(store) == []


def test_a_refusal_is_listed_again_when_the_mended_row_is_taken_back(
    store: Path, tmp_path: Path
) -> None:
    load(store, write(tmp_path, "a.csv", HEAD + scan(km="-1") + scan(scan="S2")))
    load(store, write(tmp_path, "b.csv", HEAD + scan()))
    with open_store(store) as con:
        withdraw(con, [2], 3)
    assert rows(store, "SELECT load_id FROM rejections") == [(1,)]
    assert rows(store, "SELECT count(*) FROM replaced_rejections") == [(0,)]


# --- VINs -----------------------------------------------------------------------------------------

# the worked example of 49 CFR 565 as it is often printed, from memory, and what is wrong with it
VINS = [
    ("1M8GDM9AXKP042788", "1989", None),
    ("1M8GDM9AXKP04278", "", "17 characters, this has 16"),
    ("1M8GDM9AXKPO42788", "", "without I, O, Q"),
    ("1M8GDM9AXKP042789", "", "check digit is wrong"),
    ("1M8GDM9AXKP042788", "1990", "not of model year 1990"),
    ("WZZZZZTESTAFT0001", "", None),  # Europe has no check digit
    ("", "", None),
]


@pytest.mark.parametrize(("vin", "year", "says"), VINS)
def test_a_doubtful_vin_is_listed_and_kept(
    store: Path, tmp_path: Path, vin: str, year: str, says: str | None
) -> None:
    text = f"vehicle_id,vin,model_year,make\nV1,{vin},{year},Auren\n"
    result = load(store, write(tmp_path, "v.csv", text))[0]
    assert result.rows_stored == 1
    listed = rows(store, EXPORTS["identity_conflicts"])
    if says is None:
        assert (listed, result.note) == ([], "")
    else:
        ((kind, mark, vehicles, told),) = listed
        assert (kind, mark, vehicles) == ("vin_doubt", vin, "V1")
        assert says in str(told)
        assert "VINs to look at: 1" in result.note


def test_a_doubtful_vin_of_a_control_unit_is_listed(store: Path, tmp_path: Path) -> None:
    text = HEAD.strip() + ",ecu_vin\n" + scan().strip() + ",1M8GDM9AXKP042789\n"
    load(store, write(tmp_path, "a.csv", text))
    ((kind, *_),) = rows(store, EXPORTS["identity_conflicts"])
    assert kind == "ecu_vin_doubt"


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    with open_store(tmp_path_factory.mktemp("rule") / "store.duckdb") as opened:
        yield opened


@given(
    vins=st.lists(
        st.tuples(
            st.text(LETTERS, min_size=16, max_size=17),
            st.booleans(),
            st.one_of(st.none(), st.integers(1980, 2039)),
        ),
        min_size=20,
        max_size=60,
    )
)
def test_the_database_doubts_the_vins_that_python_does(
    con: Connection, vins: list[tuple[str, bool, int | None]]
) -> None:
    told = [(_checked(vin) if mended else vin, year) for vin, mended, year in vins]
    doubted = con.execute(
        """SELECT vin_doubt(vin, year) IS NOT NULL
           FROM (SELECT unnest(?::VARCHAR[]) AS vin, unnest(?::INTEGER[]) AS year)""",
        [[vin for vin, _ in told], [year for _, year in told]],
    )
    found = [is_doubted for (is_doubted,) in doubted.fetchall()]
    assert found == [_is_doubtful(vin, year) for vin, year in told]


def _checked(vin: str) -> str:
    """Give a North American VIN with the right check digit."""
    vin = f"1{vin[1:]}"
    if len(vin) != 17:
        return vin
    return vin[:8] + "0123456789X"[check_digit_sum(vin) % 11] + vin[9:]


def _is_doubtful(vin: str, year: int | None) -> bool:
    read = read_vin(vin, 2039)
    if read.problems or (read.check_is_required and read.check_digit == "wrong"):
        return True
    if vin[0] not in "12345":
        return False
    years = model_years(vin, 2039)
    return not years or (year is not None and year not in years)


# --- distances ------------------------------------------------------------------------------------


def test_a_distance_nobody_can_have_driven_is_kept_and_told(store: Path, tmp_path: Path) -> None:
    told = [("S1", "01", "12000"), ("S2", "09", "98765"), ("S3", "20", "12100")]
    text = HEAD + "".join(scan("", scan=n, at=f"2025-03-{day}", km=km) for n, day, km in told)
    result = load(store, write(tmp_path, "a.csv", text))[0]
    assert result.rows_stored == 3
    assert (
        "odometer readings that cannot have been driven since the last: 1 "
        "(V1, 2025-03-09: 98,765 km after 12,000 km on 2025-03-01)" in result.note
    )


def test_it_is_told_of_a_later_load_and_not_again(store: Path, tmp_path: Path) -> None:
    notes = []
    for day, km in enumerate(["12000", "98765", "12100"], 1):
        text = HEAD + scan("", scan=f"S{day}", at=f"2025-03-0{day}", km=km)
        notes.append(load(store, write(tmp_path, f"{day}.csv", text))[0].note)
    assert ["cannot have been driven" in note for note in notes] == [False, True, False]


@given(rise=st.floats(-50, 20_000), days=st.floats(0, 12), most=st.sampled_from([1500.0, 700.0]))
def test_the_door_and_the_line_agree_on_what_can_be_driven(
    con: Connection, rise: float, days: float, most: float
) -> None:
    start = 40_000.0
    seconds = round(days * 86400)
    ((follows,),) = con.execute(
        f"""SELECT {_follows("before", most)} FROM (SELECT {start + rise}::DOUBLE AS km,
            {start}::DOUBLE AS before_km, TIMESTAMP '2025-01-01' AS before_at,
            TIMESTAMP '2025-01-01' + INTERVAL {seconds} SECOND AS read_at)"""
    ).fetchall()
    line = is_plausible(np.array([0, seconds / 86400]), np.array([start, start + rise]), most)
    assert follows == (line or -40 <= rise < 0)  # a fall of a thousandth is rounding
