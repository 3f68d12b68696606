"""What is coming: what counts as a failure, who is forecast, and what the record says."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.findings.common.vehicle_traits import put_traits
from afterclear.findings.forecast.find_forecast import find_forecast
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.roles.find_roles import find_roles
from afterclear.store.engine.database import Connection, query
from tests.findings.found import rows
from tests.histories.story import CATALOGUE, Story, together, told

AS_OF = datetime(2026, 7, 1, tzinfo=UTC)  # day 546
N = 30


def vehicle(number: int) -> Story:
    """Scan every 30 days; every third vehicle's thermostat fails once and is replaced."""
    story = Story(f"V{number}")
    for day in range(0, 540, 30):
        km = 20_000 + 50 * day
        fails = number % 3 == 0 and day == 90 + 30 * (number % 12)
        story.scan(day, km, engine=["P0128"] if fails else [])
        if fails:
            story.repair(
                day + 0.1, km + 1, action="replace", part_family="thermostat", codes="P0128",
                part_number="TH-1", part_brand="Aldmoor", part_cost="80", currency="EUR",
            ).clear(day + 0.2, km + 1)  # fmt: skip
    return story


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    parked = Story("P1").scan(0, 1000, engine=[]).scan(100, 9000, engine=[])
    old = Story("O1").scan(0, 1000, engine=["P0401"])
    for day in range(30, 540, 30):
        old.scan(day, 1000 + 50 * day, engine=["P0401"])
    # at the second scan a unit answers for the first time, and has the fault, too
    later = [
        Story(name).scan(200, 1000, engine=[]).scan(240, 3000, **units)
        for name, units in (
            ("U1", {"engine": ["P0401"], "aux": ["P0401"]}),
            ("U2", {"engine": ["P0401"], "zone": ["P0401"]}),
        )
    ]
    stories = [*(vehicle(number) for number in range(N)), parked, old, *later]
    with told(tmp_path_factory.mktemp("forecast"), together(stories)) as con:
        find_roles(con, CATALOGUE)
        put_traits(con, AS_OF)
        put_order_parts(con, CATALOGUE, {})
        find_forecast(con, CATALOGUE, AS_OF)
        yield con


def test_what_the_first_scan_found_is_no_failure(store: Connection) -> None:
    told = {row["component"]: row["n_year"] for row in rows(store, "forecast") if row["component"]}
    assert told["egr_valve"] == 0
    assert told["thermostat"] > 0


def test_vehicles_not_read_for_half_a_year_are_left_out(store: Connection) -> None:
    named = {row["vehicle_id"] for row in rows(store, "forecast") if row["level"] == "vehicle"}
    assert "V1" in named
    assert "P1" not in named


def test_vehicles_add_up_to_the_components(store: Connection) -> None:
    told = [row for row in rows(store, "forecast") if row["days"] == 90]
    sums = {
        level: sum(row["expected"] for row in told if row["level"] == level)
        for level in ("component", "vehicle")
    }
    assert sums["vehicle"] == pytest.approx(sums["component"], rel=0.05)


def test_a_part_is_told_with_its_number_and_cost(store: Connection) -> None:
    part = next(row for row in rows(store, "forecast_parts") if row["days"] == 90)
    assert (part["part_family"], part["part_number"], part["n_orders"]) == (
        "thermostat",
        "TH-1",
        10,
    )
    assert part["keep"] >= part["expected"]
    component = next(row for row in rows(store, "forecast") if row["component"] == "thermostat")
    assert (component["usual_cost"], component["currency"]) == (80.0, "EUR")


def test_each_past_quarter_says_what_came(store: Connection) -> None:
    """Of the ten failures, on days 90 to 390 of 2025, those since the third quarter."""
    record = rows(store, "forecast_record")
    assert [row["quarter"] for row in record] == ["2025-Q3", "2025-Q4", "2026-Q1", "2026-Q2"]
    failed = query(
        store,
        """SELECT date_trunc('quarter', onset_high_at)::DATE::VARCHAR AS quarter, count(*) AS n
           FROM store.episodes WHERE code = 'P0128' GROUP BY 1""",
    )
    came = dict(failed.iter_rows())
    assert [row["came"] for row in record] == [
        came.get(begin, 0) for begin in ("2025-07-01", "2025-10-01", "2026-01-01", "2026-04-01")
    ]
    assert [row["held"] for row in record] == [
        row["low"] <= row["came"] <= row["high"] for row in record
    ]


def test_without_any_scan_nothing_is_told(tmp_path: Path) -> None:
    with told(tmp_path, Story("V1").repair(1, 100, action="inspect")) as con:
        find_roles(con, CATALOGUE)
        put_order_parts(con, CATALOGUE, {})
        find_forecast(con, CATALOGUE, AS_OF)
        assert rows(con, "forecast") == []
