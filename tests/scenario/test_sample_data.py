"""The sample data as a whole: still what the generator makes, lawful, and of the agreed sort."""

import io
import itertools
import re
from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from tests.scenario.deliveries import (
    COPY,
    COPY_OF,
    CORRECTED_REPAIRS,
    CORRECTED_SCANS,
    LATE,
    MISTYPED_MILES,
    N_REFUSED_SCAN_ROWS,
    REFUSED_ACTION,
    WITH_REFUSED,
)
from tests.scenario.drive import END, instant
from tests.scenario.fleet import check_digit
from tests.scenario.make import SAMPLE_DATA, make, write
from tests.scenario.reading import Row, cells_of, clears, files, repairs, scan_rows, vehicles
from tests.scenario.simulate import PLANTED, simulate
from tests.scenario.spelling import time_of

MAX_FILE = 1_000_000
MAX_ALL = 2_500_000


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    """Give the files as the generator makes them now."""
    return make()


def _delivered() -> set[str]:
    return {str(p.relative_to(SAMPLE_DATA)) for p in SAMPLE_DATA.rglob("*") if p.is_file()}


def test_the_generator_still_makes_the_committed_files(made: dict[str, bytes]) -> None:
    """Every text file is the same byte for byte."""
    texts = {name: content for name, content in made.items() if not name.endswith(".parquet")}
    changed = [name for name, content in texts.items()
               if (SAMPLE_DATA / name).read_bytes() != content]  # fmt: skip
    assert changed == []


def test_the_parquet_file_holds_the_same_table(made: dict[str, bytes]) -> None:
    """Its bytes belong to the writing library's version; rows, order and types are ours."""
    for name in (name for name in made if name.endswith(".parquet")):
        assert_frame_equal(
            pl.read_parquet(SAMPLE_DATA / name), pl.read_parquet(io.BytesIO(made[name]))
        )


def test_making_twice_gives_the_same_bytes(made: dict[str, bytes], tmp_path: Path) -> None:
    """One machine and one version: no clock, no unordered set has a say."""
    written = write(tmp_path)
    assert {str(p.relative_to(tmp_path)): p.read_bytes() for p in written} == made


def test_nothing_else_lies_in_the_folder(made: dict[str, bytes]) -> None:
    assert _delivered() == {*made, "README.md"}


def test_the_readme_names_every_file() -> None:
    text = (SAMPLE_DATA / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| (\S+) \|", text, re.MULTILINE)) - {"file"}
    assert named == _delivered() - {"README.md"}


def test_no_file_is_large() -> None:
    sizes = {name: (SAMPLE_DATA / name).stat().st_size for name in _delivered()}
    assert max(sizes.values()) <= MAX_FILE
    assert sum(sizes.values()) <= MAX_ALL


def test_identification_numbers_are_legal_and_nobodys() -> None:
    """17 characters without I, O, Q; the ninth checks (49 CFR 565.15); maker part 0.. is free."""
    vins = [cells["vin"] for cells in vehicles().values()]
    assert len(set(vins)) == len(vins) == len(vehicles())
    for vin in vins:
        assert re.fullmatch(r"0[A-HJ-NPR-Z]{2}[A-HJ-NPR-Z0-9]{14}", vin)
        assert vin[8] == check_digit(vin)


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        ("1M8GDM9AXKP042788", "X"),  # worked example, encyclopedia article and forum copies
        ("1G4AH59H45G118341", "4"),  # the CFR's own sample
        ("11111111111111111", "1"),  # sum of the weights, 89 mod 11
    ],
)
def test_the_check_digit_follows_the_rule(vin: str, digit: str) -> None:
    """49 CFR 565.15 (c), as restated in public copies of its tables."""
    assert check_digit(vin) == digit


@pytest.mark.parametrize(
    ("utc", "local"),
    [
        ("2025-03-30 00:59", "2025-03-30T01:59:00+01:00"),
        ("2025-03-30 01:00", "2025-03-30T03:00:00+02:00"),
        ("2026-10-25 00:59", "2026-10-25T02:59:00+02:00"),
        ("2026-10-25 01:00", "2026-10-25T02:00:00+01:00"),
    ],
)
def test_summer_time_changes_on_the_last_sundays(utc: str, local: str) -> None:
    """Directive 2000/84/EC: last Sundays of March and October, 01:00 UTC."""
    assert time_of(instant(utc), "A") == local


def test_all_rows_lie_in_the_two_years() -> None:
    at = [row.at for row in scan_rows()]
    assert instant("2024-10-01 00:00") <= min(at)
    assert max(at) <= END


def test_a_scan_is_of_one_vehicle_at_one_moment() -> None:
    heads = defaultdict(set)
    for row in scan_rows():
        heads[row.scan_id].add((row.vehicle_id, row.at, row.km, row.reason))
    assert {scan_id for scan_id, found in heads.items() if len(found) > 1} == set()


def test_every_vehicle_is_listed_and_scanned() -> None:
    scanned = {row.vehicle_id for row in scan_rows()}
    assert scanned == set(vehicles())
    assert {story.vehicle_id for story in PLANTED} <= scanned


def test_the_copy_is_the_same_file_again() -> None:
    assert (SAMPLE_DATA / COPY).read_bytes() == (SAMPLE_DATA / COPY_OF).read_bytes()


def test_the_correction_mends_one_scan_and_repeats_others() -> None:
    """Same keys; one scan's odometer is 20,000 miles lower, all else as it was."""
    first = {_key(c): c for p in files("scans")[:5] if "orrinby" in p.name for c in cells_of(p)}
    again = {_key(c): c for c in cells_of(SAMPLE_DATA / CORRECTED_SCANS)}
    mended = {key for key, cells in again.items() if cells != first[key]}
    assert mended < set(again)
    assert len({key[0] for key in mended}) == 1
    for key in mended:
        lower = int(first[key]["odometer_mi"]) - MISTYPED_MILES
        assert again[key] == first[key] | {"odometer_mi": str(lower)}


def test_the_corrected_work_orders_change_one_price() -> None:
    first = {c["repair_id"]: c for c in cells_of(SAMPLE_DATA / "11_repairs_velmarsh.csv")}
    again = list(cells_of(SAMPLE_DATA / CORRECTED_REPAIRS))
    changed = [[n for n in c if c[n] != first[c["repair_id"]][n]] for c in again]
    assert sorted(changed) == [[], [], ["part_cost"]]


def test_the_refused_rows_are_refused_for_different_reasons() -> None:
    """Each broken row has another column wrong; one line is short."""
    broken = [c for c in cells_of(SAMPLE_DATA / WITH_REFUSED) if c["scan_id"].startswith("AS-2699")]
    assert len(broken) == N_REFUSED_SCAN_ROWS
    good = {row.scan_id for row in scan_rows()}
    assert not good & {cells["scan_id"] for cells in broken}
    assert sum(cells["visit_reason"] is None for cells in broken) == 1
    yard = list(cells_of(SAMPLE_DATA / "14_repairs_quarrowsend.csv"))
    assert [cells["action"] for cells in yard].count(REFUSED_ACTION) == 1


def test_the_late_file_is_one_old_scan() -> None:
    late = [row for row in scan_rows() if row.file == LATE]
    assert len({row.scan_id for row in late}) == 1
    assert late[0].at < datetime(2025, 12, 31, tzinfo=UTC)


def test_most_work_is_right_and_some_is_not() -> None:
    """150 to 350 attempts; 18 to 28 % of the repairs do not cure; most bare clears do not."""
    truths = simulate()[1].truths
    repaired = [t for t in truths if t.kind == "repair"]
    bare = [t for t in truths if t.kind == "clear_only"]
    assert 150 <= len(truths) <= 350
    assert 0.18 <= sum(not t.cured for t in repaired) / len(repaired) <= 0.28
    assert sum(not t.cured for t in bare) / len(bare) > 0.6


def _looks() -> dict[tuple[str, str], list[tuple[Row, set[str]]]]:
    """Each unit's answers with stored memory read, in time order, with the codes it had."""
    looks: dict[tuple[str, str], dict[str, tuple[Row, set[str]]]] = defaultdict(dict)
    for row in scan_rows():
        if row.answered and row.cells.get("memory", "stored") in {"", "stored"}:
            found = looks[row.vehicle_id, row.ecu].setdefault(row.scan_id, (row, set()))
            if row.code and row.status in {"confirmed", "stored", "2F", "28"}:
                found[1].add(row.code)
    return {unit: list(scans.values()) for unit, scans in looks.items()}


@pytest.mark.slow
def test_a_confirmed_code_leaves_only_by_a_clear_or_by_age() -> None:
    """A unit forgets after a clear, told or counted, or after 40 warm-ups at two a day."""
    unexplained = []
    for (vehicle, ecu), scans in _looks().items():
        for (before, had), (after, has) in itertools.pairwise(scans):
            gone = had - has
            wiped = any(before.at <= at <= after.at for at in clears(vehicle))
            aged = (after.at - before.at).days >= 20  # days, 40 warm-ups
            if gone and not (wiped or aged or _counter_fell(vehicle, before.at, after.at)):
                unexplained.append((vehicle, ecu, gone, after.at))
    assert unexplained == []


def _counter_fell(vehicle: str, begin: datetime, end: datetime) -> bool:
    """Tell whether the engine counts fewer km since a clear than were driven since ``begin``."""
    engine = [row for row in scan_rows() if row.vehicle_id == vehicle and row.ecu == "engine"
              and begin <= row.at <= end and row.cells.get("distance_since_clear_km")]  # fmt: skip
    counts = [int(row.cells["distance_since_clear_km"]) for row in engine]
    return any(later < earlier for earlier, later in itertools.pairwise(counts))


def test_odometers_never_fall_where_no_story_says_so() -> None:
    """Scans and work orders of a vehicle agree within the rounding of whole miles."""
    told = {"M-107", "P-205", "Y-503", "Y-504"}
    fallen = []
    for vehicle in sorted(set(vehicles()) - told):
        read = [(row.at, row.km) for row in scan_rows() if row.vehicle_id == vehicle]
        read += [(cells["at"], cells["km"]) for cells in repairs(vehicle)]
        km = [km for _, km in sorted(read, key=lambda r: r[0]) if km is not None]
        fallen += [(vehicle, a, b) for a, b in itertools.pairwise(km) if b < a - 2]
    assert fallen == []


def test_counters_stop_at_their_ceilings() -> None:
    """PID 30 stops at 255, PID 31 at 65535 (SAE J1979); both are met."""
    warmups = {int(row.cells.get("warmups_since_clear") or 0) for row in scan_rows()}
    distances = {int(row.cells.get("distance_since_clear_km") or 0) for row in scan_rows()}
    assert (max(warmups), max(distances)) == (255, 65535)


def _key(cells: dict[str, str]) -> tuple[str, ...]:
    return cells["scan_id"], cells["ecu"], cells["code"], cells["failure_type"]
