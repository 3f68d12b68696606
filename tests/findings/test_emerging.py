"""What is new: a rise in one model is found once, and not where readings only became more."""

import random
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import polars as pl
import pytest

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.rise_lines import RisesView, rises_view
from afterclear.digest.common.rise_words import rise_words
from afterclear.digest.input.frames import Caution, DigestSettings
from afterclear.digest.input.rises import rises_of
from afterclear.finding_tables.emerging import ANY_FAULT, Emerging, EmergingPoint, Level
from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.findings.parts.order_parts import put_order_parts
from afterclear.findings.rising import km_at_risk
from afterclear.findings.rising.alarms import LEVELS, PART_LEVELS
from afterclear.findings.rising.find_emerging import find_emerging
from afterclear.findings.roles.find_roles import find_roles
from afterclear.records import PlainRows
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.intake.absorb import absorb
from afterclear.take_in import SPELLERS
from afterclear.wording.cells import Cells
from afterclear.wording.exported import with_sentences
from afterclear.wording.findings import finding_words
from afterclear.wording.language import GAP
from tests.findings.found import rows
from tests.histories.story import CATALOGUE, Story, build, together

FIRST = datetime(2025, 1, 1, tzinfo=UTC)
DAYS = 700
RISE = 500  # the day on which model A's misfires begin to be six times as many
N = 20  # vehicles of each model
SOLD = "A13"  # misfires never began on it
Rate = Callable[[str, int], float]  # of misfires a day, by model and day


def steady(_model: str, _day: int) -> float:
    return 0.0008


def rising(model: str, day: int) -> float:
    return 0.006 if model == "A" and day >= RISE else 0.0008


def vehicle(name: str, model: str, rate: Rate, readings: list[int], *, bad: bool = False) -> Story:
    """Tell of one vehicle: a fault that has begun stays; 60 km a day."""
    chance, story, codes, before = random.Random(name), Story(name), set[str](), 0  # noqa: S311
    for day in readings:
        for past in range(before, day):
            if day != readings[0] and chance.random() < rate(model, past):
                codes.add("P0301")
            if day != readings[0] and chance.random() < 0.0008:
                codes.add("P0420")
            if bad and past > RISE and past % 20 == 0:
                codes.add(f"P{100 + past // 20:04}")
        before = day
        story.scan(day, 1000 + 60 * day, engine=sorted(codes), visit_reason="routine")
    return story


def models(rate: Rate, readings: dict[str, list[int]]) -> list[tuple[Story, str]]:
    """Tell of models with their readings; each vehicle's a day after the one before."""
    return [
        (vehicle(f"{model}{n:02}", model, rate, [day + n for day in days]), model)
        for model, days in readings.items()
        for n in range(N)
    ]


MONTHLY = list(range(0, DAYS - N, 40))


def put(con: Connection, fleet: list[tuple[Story, str]]) -> None:
    cars = [
        {
            "vehicle_id": story.vehicle,
            "make": "Mak",
            "model": model,
            "site": "Orrinby",
            "stock_status": "sold" if story.vehicle == SOLD else None,
        }
        for story, model in fleet
    ]
    frame = pl.DataFrame(cars).with_row_index("_line", 1)
    part = PlainRows("vehicles", frame.with_columns(pl.col("_line").cast(pl.Int64)))
    assert not absorb(con, part, 1, zone="UTC", spellers=SPELLERS).rejections
    together([story for story, _ in fleet]).load(con, 2)
    build(con)
    find_roles(con, CATALOGUE)


def emerging(con: Connection, day: int = DAYS) -> list[dict[str, Any]]:
    put_order_parts(con, CATALOGUE, {})
    find_emerging(con, CATALOGUE, FIRST + timedelta(days=day))
    return rows(con, "emerging")


@pytest.fixture(scope="module")
def rise(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    with open_store(tmp_path_factory.mktemp("rise") / "store.duckdb") as con:
        put(con, models(rising, {"A": MONTHLY, "B": MONTHLY}))
        yield con


def test_a_rise_in_one_model_is_found_and_nothing_beside_it(rise: Connection) -> None:
    found = emerging(rise)
    alone = [row for row in found if row["within"] is None]
    assert [(row["fault"], row["level"], row["group_name"]) for row in alone] == [
        ("misfire", "model", "Mak A")
    ]
    assert alone[0]["since_low_at"] <= naive(RISE) <= alone[0]["since_high_at"]
    assert alone[0]["ratio_low"] > 1.5
    # the fleet's rise and that of all faults together lie in it
    assert {row["within"] for row in found} == {None, alone[0]["rise_id"]}


def test_another_unit_or_language_needs_no_new_analysis(rise: Connection) -> None:
    emerging(rise)
    stored = query(rise, PAGE_FINDINGS["emerging"])
    english = with_sentences("emerging", stored, Cells("mi"))["sentence"]
    german = with_sentences("emerging", stored, Cells("mi", language="de"))["sentence"]
    assert len(stored)
    assert not english.str.contains(r"\bkm\b").any()
    assert not german.str.contains(r"\bkm\b|\b(the|of|and|with|to|peers)\b").any()


def test_its_vehicles_are_listed_those_with_the_fault_and_those_that_may_be_next(
    rise: Connection,
) -> None:
    row = next(row for row in emerging(rise) if row["within"] is None)
    listed = [each for each in rows(rise, "emerging_vehicles") if each["rise_id"] == row["rise_id"]]
    assert sum(each["has_fault"] for each in listed) == row["n_vehicles"]
    assert sum(not each["has_fault"] for each in listed) == row["n_vehicles_left"]
    assert {each["vehicle_id"][0] for each in listed} == {"A"}
    for each in listed:
        if each["has_fault"]:  # told with its odometer then, not with today's
            assert each["km"] == 1000 + 60 * (each["seen_at"] - naive(0)).days
    assert all(0 < each["chance_90_days"] < 1 for each in listed if not each["has_fault"])


def test_a_sold_vehicle_is_not_one_that_may_be_next(rise: Connection) -> None:
    emerging(rise)
    listed = {each["vehicle_id"] for each in rows(rise, "emerging_vehicles")}
    assert "A10" in listed
    assert SOLD not in listed


def test_the_picture_ends_with_what_is_told(rise: Connection) -> None:
    row = next(row for row in emerging(rise) if row["within"] is None)
    points = [each for each in rows(rise, "emerging_points") if each["rise_id"] == row["rise_id"]]
    since = next(each for each in points if each["on_day"] == row["since_at"])
    assert points[-1]["observed"] - since["observed"] == row["n_vehicles"]
    assert points[-1]["expected"] - since["expected"] == pytest.approx(row["expected"])


def test_a_fleet_read_part_by_part_has_the_same_rises(
    rise: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A large one does not fit into memory at once."""
    at_once = emerging(rise)
    monkeypatch.setattr(km_at_risk, "_ROWS_AT_ONCE", 100)
    assert emerging(rise) == at_once


def test_groups_are_named_as_the_column_says() -> None:
    assert get_args(Level) == (*LEVELS, *PART_LEVELS[1:])


def test_a_rise_was_found_on_the_same_day_whenever_one_looks(rise: Connection) -> None:
    last = {row["rise_id"] for row in emerging(rise)}
    assert {row["rise_id"] for row in emerging(rise, DAYS + 40)} == last
    # looking each day, it would have been found on that day
    row = next(row for row in emerging(rise) if row["within"] is None)
    on = (row["found_at"] - naive(0)).days
    assert row["rise_id"] in {each["rise_id"] for each in emerging(rise, on + 1)}
    assert row["rise_id"] not in {each["rise_id"] for each in emerging(rise, on)}


@pytest.mark.slow
def test_denser_readings_a_bad_vehicle_and_first_readings_are_no_rise(tmp_path: Path) -> None:
    """With these draws: chance alone may raise an alarm in a year (``campaigns rises``)."""
    dense = [*range(0, 450, 60), *range(450, DAYS - N, 4)]
    cars = models(steady, {"A": MONTHLY, "D": dense})
    cars[3] = (vehicle("A03", "A", steady, MONTHLY, bad=True), "A")
    cars += [(Story(f"C{n:02}").scan(600, 50_000, engine=["P0301"]), "C") for n in range(N)]
    with open_store(tmp_path / "store.duckdb") as con:
        put(con, cars)
        assert emerging(con) == []


def naive(day: int) -> datetime:
    return (FIRST + timedelta(days=day)).replace(tzinfo=None)


def row(rise_id: str, **columns: Any) -> Emerging:
    """Give a rise found on 1 October 2026."""
    at = datetime(2026, 10, 1, tzinfo=UTC)
    told: dict[str, Any] = {
        "rise_id": rise_id, "fault": "brake_pad", "label": "brake pad", "level": "site",
        "group_name": None, "site": "Orrinby", "part": None, "part_label": None,
        "fitted_since": None, "since_at": at - timedelta(days=40),
        "since_low_at": at - timedelta(days=60), "since_high_at": at - timedelta(days=20),
        "found_at": at, "over_at": None, "n_vehicles": 9, "expected": 2.1, "ratio": 3.9,
        "ratio_low": 1.8, "ratio_high": 7.7, "evidence": 2.0, "n_vehicles_left": 0, "within": None,
    }  # fmt: skip
    return Emerging(**(told | columns))


def view(*found: Emerging, told: dict[str, str] | None = None) -> RisesView | None:
    points = [
        EmergingPoint(each.rise_id, each.found_at - timedelta(days=day), 9 - day // 10, 2.0)
        for each in found
        for day in (90, 40, 0)
    ]
    said = {("rise", rise): mark for rise, mark in (told or {}).items()}
    pads = {"brake_pad": (Caution("Brakes", "Brake work needs a licensed person."),)}
    setting = Setting(
        as_of=datetime(2026, 11, 20, tzinfo=UTC),
        cells=Cells(),
        settings=DigestSettings(),
        cautions={},
        part_cautions=pads,
        rises=rises_of(found, points, (), said),
    )
    nobody: Any = {}  # no vehicle is listed, so none is asked for
    return rises_view(setting, nobody)


def test_a_rise_is_told_once_as_new_then_that_it_goes_on_then_that_it_is_over() -> None:
    new = view(row("r"))
    assert new is not None
    assert [rise.name for rise in new.new] == ["Brake pad: Orrinby"]
    assert new.new[0].cautions[0].title == "Brakes"
    later = view(row("r"), told={"r": "goes_on"})
    assert later is not None
    assert later.new == ()
    assert later.before[0][1].startswith(f"Goes on since about {Cells().day(date(2026, 8, 22))}: 9")
    over = row("r", over_at=datetime(2026, 11, 1, tzinfo=UTC))
    ended = view(over, told={"r": "goes_on"})
    assert ended is not None
    assert ended.before[0][1].startswith(f"Over: since {Cells().day(date(2026, 11, 1))}")
    assert view(over, told={"r": "over"}) is None


def test_of_all_faults_together_a_vehicle_may_count_again_and_that_is_said() -> None:
    every = row("r", fault=ANY_FAULT, label=ANY_FAULT)
    new, later = view(every), view(every, told={"r": "goes_on"})
    assert new is not None
    assert later is not None
    assert "Faults began 9 times, counting each vehicle at most once" in new.new[
        0
    ].sentence.replace(GAP, " ")
    assert "9 times by now" in later.before[0][1].replace(GAP, " ")
    words = finding_words(every, Cells()).replace(GAP, " ")
    assert words.startswith("Faults began 9 times, counting each vehicle at most once")


def test_a_rate_below_what_the_counts_say_by_themselves_is_explained() -> None:
    """9 of 2.1 are 4.3 times as many, within the interval; 9 of .1 are 90 times."""
    care = "The counts alone would say more; part of so few is chance."
    assert care not in rise_words(row("known"), Cells())
    assert rise_words(row("few", expected=0.1), Cells()).endswith(care)


def test_what_lies_in_another_rise_is_not_told() -> None:
    assert view(row("r", within="q")) is None


def test_a_rise_of_parts_has_the_cautions_of_the_part_and_an_advice_of_its_own() -> None:
    columns = {
        "group_name": "AA 10",
        "site": None,
        "fitted_since": datetime(2026, 5, 3, tzinfo=UTC),
    }
    parts = {"fault": "misfire", "label": "misfire", "part": "brake_pad", "part_label": "brake pad"}
    told = view(row("r", level="part_number", **columns, **parts))
    assert told is not None
    (new,) = told.new
    assert new.name.replace(GAP, " ") == "Misfire: brake pad, part AA 10, fitted since May 2026"
    assert [each.title for each in new.cautions] == ["Brakes"]
    assert new.is_of_parts
