"""The stories about whole vehicles, the yard and the sites are in the rows."""

import itertools
import re
from collections import defaultdict

import pytest

from tests.scenario.book import Book
from tests.scenario.make import SAMPLE_DATA
from tests.scenario.reading import (
    Row,
    cells_of,
    clears,
    files,
    instant,
    looks_after,
    of,
    repairs,
    scan_rows,
    vehicles,
    with_code,
    work,
)
from tests.scenario.simulate import simulate
from tests.scenario.told import sensor_counts


@pytest.fixture(scope="module")
def book() -> Book:
    """Give what was true beside what was delivered."""
    return simulate()[1]


def test_a_flat_battery_sets_codes_in_seven_units_at_once() -> None:
    low = with_code("H-402", "P0562")
    at_once = {row.ecu for row in of("H-402") if row.scan_id == low[0].scan_id and row.code}
    assert len(at_once) == 7
    assert any(cells["part_family"] == "battery" for cells in work("H-402", "P0562"))
    assert not [row for row in of("H-402") if row.at > low[-1].at and row.code]


@pytest.mark.parametrize(
    ("vehicle_id", "code", "ecu"),
    [
        ("H-403", "P0AA6-1A", "high-voltage battery"),
        ("M-109", "B0001-13", "airbag"),
        ("M-114", "C0020-12", "brakes"),
        ("P-207", "C0051-54", "steering"),
        ("Y-509", "B0001-13", "airbag"),
    ],
)
def test_dangerous_codes_are_open_in_the_last_scan(vehicle_id: str, code: str, ecu: str) -> None:
    last = with_code(vehicle_id, code, ecu)[-1]
    assert last.scan_id == of(vehicle_id)[-1].scan_id
    assert not [cells for cells in work(vehicle_id, code) if cells["at"] >= last.at]


def test_the_worsening_vehicle_has_ever_shorter_gaps() -> None:
    """Eleven complaints; of the last ten gaps each is shorter than the one before."""
    km = [row.km for row in {row.scan_id: row for row in of("P-208")}.values()
          if row.reason == "complaint" and row.at > instant("2024-11-04T00:00:00Z")]  # fmt: skip
    own = [float(k) for k in km[-11:] if k is not None]
    gaps = [b - a for a, b in itertools.pairwise(own)]
    assert len(gaps) == 10
    assert all(later < earlier for earlier, later in itertools.pairwise(gaps))


def test_the_recurring_code_has_clean_looks_between() -> None:
    confirmed = [row for row in with_code("M-102", "P0171") if row.status == "confirmed"]
    looks = looks_after("M-102", "engine", confirmed[0].at)
    clean = [row.at for row in looks if row.code != "P0171"]
    assert len(confirmed) >= 7
    for earlier, later in itertools.pairwise(confirmed):
        assert any(earlier.at < at < later.at for at in clean)


def test_no_other_vehicle_has_that_code_as_often() -> None:
    times: dict[str, int] = defaultdict(int)
    for row in scan_rows():
        times[row.vehicle_id] += row.code == "P0171" and row.status in {"confirmed", "stored"}
    own = times.pop("M-102")
    assert own >= 2 * max(times.values())


def test_every_day_a_story_names_is_a_day_of_its_vehicle() -> None:
    """M-102 was told "clean on 2026-09-09", a day on which nobody scanned it."""
    days: dict[str, set[str]] = defaultdict(set)
    for table, at in (
        ("scans", "scanned_at"),
        ("clears", "cleared_at"),
        ("repairs", "repaired_at"),
    ):
        for path in files(table):
            for cells in cells_of(path):
                days[str(cells["vehicle_id"])].add(str(cells[at])[:10])
    days["P-208"].add("2024-11-04")  # from when its story was written on
    days["T-304"].add("2026-09-10")  # of its bus log
    told = (SAMPLE_DATA / "STORIES.md").read_text(encoding="utf-8")
    stories = re.findall(r"### ([A-Z]-\d+): .*?\n\n(.*?)\n\nOught", told, re.DOTALL)
    named = [(v, day) for v, text in stories for day in re.findall(r"\d{4}-\d\d-\d\d", text)]
    assert len(named) > 40
    assert [(vehicle, day) for vehicle, day in named if day not in days[vehicle]] == []


# --- the yard -------------------------------------------------------------------------------


def _engine(vehicle_id: str, number: int = -1) -> Row:
    return [row for row in of(vehicle_id) if row.ecu == "engine"][number]


def test_the_car_was_cleared_days_before_it_was_bought() -> None:
    row = _engine("Y-501")
    assert row.reason == "intake"
    assert (row.code, row.status) == ("P0420", "permanent")
    assert int(row.cells["distance_since_clear_km"]) < 100
    assert int(row.cells["warmups_since_clear"]) < 10
    assert {"catalyst", "evaporative"} <= set(row.cells["monitors_incomplete"].split())
    assert not clears("Y-501")


def test_the_new_battery_resets_the_same_counters_with_a_work_order() -> None:
    before, after = _engine("Y-502", 0), _engine("Y-502")
    order = repairs("Y-502")[0]
    assert before.cells["monitors_incomplete"] == "none"
    assert int(after.cells["distance_since_clear_km"]) < 100
    assert after.cells["monitors_incomplete"] != "none"
    assert before.at < order["at"] < after.at
    assert order["part_family"] == "battery"
    assert not [row for row in of("Y-502") if row.code]


def test_the_new_cluster_has_a_note_and_the_rollback_has_none() -> None:
    noted = next(c for c in repairs("Y-503") if c["part_family"] == "instrument cluster")
    assert "old reading" in noted["notes"]
    assert not repairs("Y-504")
    for vehicle_id in ("Y-503", "Y-504"):
        km = [row.km for row in {row.scan_id: row for row in of(vehicle_id)}.values()]
        falls = [i for i, (a, b) in enumerate(itertools.pairwise(km)) if a and b and b < a]
        assert len(falls) == 1
        assert len(km) - falls[0] - 1 >= 3, "the drop lasts for three readings or more"


def test_a_unit_remembers_more_km_than_the_odometer_shows() -> None:
    row = with_code("Y-504", "B1A41-11", "body")[-1]
    assert row.km is not None
    assert int(row.cells["first_seen_km"]) > row.km + 10000


def test_one_unit_has_another_identification_number() -> None:
    told = {row.ecu: row.cells["ecu_vin"] for row in of("Y-505")}
    others = {vin for ecu, vin in told.items() if ecu != "engine"}
    assert others == {vehicles()["Y-505"]["vin"]}
    assert told["engine"] not in others


def test_the_ready_car_has_nothing() -> None:
    rows = of("Y-506")
    assert len({row.scan_id for row in rows}) == 3
    assert not [row for row in rows if row.code or not row.answered]
    assert {row.cells["scan_scope"] for row in rows} == {"full"}
    assert _engine("Y-506").cells["monitors_incomplete"] == "none"
    assert {row.cells["ecu_vin"] for row in rows} == {vehicles()["Y-506"]["vin"]}


def test_the_repair_on_the_lot_is_recorded_and_hardly_driven() -> None:
    fixed, last = work("Y-507", "P0301")[0], _engine("Y-507")
    assert clears("Y-507")
    assert last.km is not None
    assert 0 < last.km - fixed["km"] < 100
    assert last.status in {"", "permanent"}


def test_the_partial_intake_read_two_units() -> None:
    assert {row.ecu for row in of("Y-508")} == {"engine", "brakes"}


# --- the sites ------------------------------------------------------------------------------


def test_the_weak_brand_dies_early(book: Book) -> None:
    """At least 15 fitted; it fails at least three times as often as the other brands."""
    n_weak, n_other, died = sensor_counts(book)
    assert n_weak >= 15
    assert died[True] / n_weak > 3 * died[False] / n_other


def test_one_site_fails_more_often_than_the_others(book: Book) -> None:
    shares = {}
    for letter in "ABCD":
        cured = [t.cured for t in book.truths if t.kind == "repair" and t.site == letter]
        assert len(cured) >= 25
        shares[letter] = cured.count(False) / len(cured)
    worst = shares.pop("B")
    assert worst > 1.5 * max(shares.values())


def test_one_site_clears_in_place_of_repairing(book: Book) -> None:
    shares = {}
    for letter in "ABCD":
        kinds = [t.kind for t in book.truths if t.site == letter]
        shares[letter] = kinds.count("clear_only") / len(kinds)
    assert shares.pop("C") > 3 * max(shares.values())


def test_one_site_never_scans_after_a_repair() -> None:
    """Told by file: every other site's files have post-repair scans, the yard's has none."""
    after = {path.name: sum(c["visit_reason"] == "post_repair" for c in cells_of(path))
             for path in files("scans")[:8]}  # fmt: skip
    assert after.pop("09_scans_quarrowsend.parquet") == 0
    assert min(after.values()) > 0
