"""What is new of parts: a brand, number or month of fitting after which a fault is soon back."""

import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from afterclear.digest.common.rise_words import rise_name, rise_words
from afterclear.finding_tables.emerging import Emerging
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.rising.find_emerging import find_emerging
from afterclear.findings.roles.find_roles import find_roles
from afterclear.store.engine.database import Connection, open_store
from afterclear.wording.cells import Cells
from afterclear.wording.language import GAP
from tests.findings.found import rows
from tests.histories.story import CATALOGUE, Story, build, together

FIRST = datetime(2025, 1, 1, tzinfo=UTC)
DAYS = 720
N = 120
BAD_FROM, BAD_UNTIL = 395, 425  # February 2026, roughly a month of fitting
Fails = Callable[[str, float], float]  # chance a month by number and day of fitting


def sound(_number: str, _day: float) -> float:
    return 0.003


def bad_brand(number: str, _day: float) -> float:
    return 0.2 if number == "CC 30" else 0.003


def bad_month(number: str, day: float) -> float:
    return 0.3 if number == "AA 10" and BAD_FROM <= day < BAD_UNTIL else 0.003


NUMBERS = ("AA 10", "BB 20", "AA 10", "CC 30")  # of one vehicle after another
BRANDS = {"AA 10": "Aldar", "BB 20": "Brevik", "CC 30": "Corvane"}


def vehicle(place: int, fails: Fails) -> Story:
    """Tell of a valve that was replaced once, and of readings each month; 60 km a day."""
    chance, story = random.Random(place), Story(f"V{place:03}")  # noqa: S311
    number = NUMBERS[place % 4]
    # each third in the month in question, the others spread over the years
    fitted = BAD_FROM + place % 28 if place % 3 == 0 else 100 + (place * 37) % 500
    is_bad = False
    for day in range(place % 28, DAYS - 10, 28):
        if fitted - 28 <= day < fitted:
            story.scan(day, 1000 + 60 * day, engine=["P0401"], visit_reason="routine")
            columns = {"codes": "P0401", "action": "replace", "part_family": "EGR valve"}
            story.repair(
                fitted, 1000 + 60 * fitted, part_number=number, part_brand=BRANDS[number], **columns
            )
        else:
            is_bad = is_bad or (day > fitted + 5 and chance.random() < fails(number, fitted))
            codes = ["P0401"] if is_bad else []
            story.scan(day, 1000 + 60 * day, engine=codes, visit_reason="routine")
    return story


def found(con: Connection, day: int = DAYS) -> list[dict[str, Any]]:
    put_order_parts(con, CATALOGUE, {})
    find_emerging(con, CATALOGUE, FIRST + timedelta(days=day))
    return rows(con, "emerging")


pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=[sound, bad_brand, bad_month])
def fleet(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Fails, Connection]]:
    with open_store(tmp_path_factory.mktemp("parts") / "store.duckdb") as con:
        together([vehicle(place, request.param) for place in range(N)]).load(con, 1)
        build(con)
        find_roles(con, CATALOGUE)
        yield request.param, con


def test_parts_are_told_by_what_is_wrong_with_them(fleet: tuple[Fails, Connection]) -> None:
    fails, con = fleet
    told = {(row["level"], row["group_name"]) for row in found(con) if row["part"]}
    if fails is sound:
        assert told == set()
    if fails is bad_brand:
        assert {("brand", "Corvane"), ("part_number", "CC 30")} <= told
        assert {name for _, name in told} == {"Corvane", "CC 30"}
    if fails is bad_month:
        assert ("fitted_month", "AA 10") in told


def test_its_vehicles_are_those_with_such_a_part_that_may_be_next(
    fleet: tuple[Fails, Connection],
) -> None:
    fails, con = fleet
    for row in (row for row in found(con) if row["level"] == "brand"):
        assert fails is not sound
        assert row["part"] == row["fault"] == "egr_valve"
        listed = [r for r in rows(con, "emerging_vehicles") if r["rise_id"] == row["rise_id"]]
        assert sum(each["has_fault"] for each in listed) == row["n_vehicles"]
        with_it = {f"V{n:03}" for n in range(N) if BRANDS[NUMBERS[n % 4]] == row["group_name"]}
        assert {each["vehicle_id"] for each in listed} <= with_it
        assert all(0 < r["chance_90_days"] < 1 for r in listed if not r["has_fault"])


def test_a_rise_of_parts_was_found_on_the_same_day_whenever_one_looks(
    fleet: tuple[Fails, Connection],
) -> None:
    _, con = fleet
    told = [(row["rise_id"], row["found_at"]) for row in found(con) if row["part"]]
    for rise_id, found_at in told:
        day = (found_at - FIRST.replace(tzinfo=None)).days
        assert rise_id in {row["rise_id"] for row in found(con, day + 1)}
        assert rise_id not in {row["rise_id"] for row in found(con, day)}


def test_parts_are_named_by_brand_number_and_month_and_compared_with_what_is_usual() -> None:
    at = datetime(2026, 10, 1, tzinfo=UTC)
    row = Emerging(
        rise_id="r", fault="misfire", label="misfire", level="fitted_month", group_name="AA 10",
        site=None, part="ignition_coil", part_label="ignition coil",
        fitted_since=datetime(2026, 2, 3, tzinfo=UTC), since_at=at, since_low_at=at,
        since_high_at=at, found_at=at, over_at=None, n_vehicles=9, expected=2.1, ratio=3.9,
        ratio_low=1.8, ratio_high=7.7, evidence=2.0, n_vehicles_left=12, within=None,
    )  # fmt: skip
    name = rise_name(row, Cells()).replace(GAP, " ")
    assert name == "Misfire: ignition coil, part AA 10, fitted in Feb 2026"
    assert "times what is usual after such work" in rise_words(row, Cells()).replace(GAP, " ")
    own = replace(row, fault="ignition_coil", level="brand", group_name="Aldar")
    assert rise_name(own, Cells()).endswith(": parts of Aldar, fitted since Feb" + GAP + "2026")
