"""What would make a vehicle in stock ready: the steps that follow from its reasons."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from afterclear.reasons import STOCK_PARAMETERS, StockReason
from afterclear.wording.cells import Cells
from afterclear.wording.stock_steps import STEPS, Found, LastScan, Stage, steps_to_ready

R = StockReason
FAULT = {"code": "P0420", "unit": "engine"}
AIRBAG = {"code": "B0001-13", "unit": "airbag", "meaning": "driver airbag: open"}
LAST = LastScan("DS-1", datetime(2026, 10, 20, 8, tzinfo=UTC), 91_446.0, 0.0)
NOTES = {R.READY, R.MONITORS_INCOMPLETE_ALLOWED, R.ODOMETER_CLUSTER_REPLACED,
         R.ODOMETER_READING_SET_ASIDE}  # fmt: skip


def do(*found: Found, last: LastScan | None = LAST) -> list[str]:
    return [step.do for step in steps_to_ready(found, last, Cells())]


@pytest.mark.parametrize("reason", list(StockReason))
def test_every_reason_that_stops_a_sale_has_a_step(reason: StockReason) -> None:
    facts = {name: "x" for name, kind in STOCK_PARAMETERS[reason].items() if kind != "km"}
    steps = steps_to_ready([Found(reason, facts, 100.0)], LAST, Cells())
    assert bool(steps) == bool(STEPS[reason]) == (reason not in NOTES)


def test_safety_comes_first_then_papers_then_work_and_one_scan_last() -> None:
    found = (
        Found(R.SCAN_OLD, {}, 0.0),
        Found(R.OPEN_FAULT, FAULT | {"meaning": "catalyst"}),
        Found(R.ODOMETER_DROPPED),
        Found(R.ODOMETER_BELOW_UNIT_RECORD),
        Found(R.OPEN_SAFETY_FAULT, AIRBAG),
    )
    assert do(*found) == [
        "First have B0001-13 in the airbag control unit repaired, by qualified people.",
        "Ask for papers on the odometer.",
        "Find and repair P0420 in the engine control unit.",
        "Scan every control unit.",
    ]
    assert sorted(Stage) == [Stage.SAFETY, Stage.PAPERS, Stage.WORK, Stage.DRIVE, Stage.SCAN]


def test_a_distance_says_from_which_reading_and_what_the_odometer_will_show() -> None:
    first, last = steps_to_ready(
        [Found(R.RECENT_CLEAR_EXPLAINED, {}, 308.0), Found(R.MONITORS_INCOMPLETE, {}, 436.0)],
        LAST,
        Cells(),
    )
    assert first.do.replace("\u00a0", " ") == "Drive until the odometer shows about 91,890 km."
    assert first.note.replace("\u00a0", " ") == (
        "That is about 440 km more than at the scan of 20 Oct 2026, DS-1, which showed 91,446 km. "
        "Some of it may already be driven: no later reading is known."
    )
    assert last.do == "Scan every control unit."


@pytest.mark.parametrize(
    ("driven", "says"), [(100.0, "Drive until"), (500.0, "Enough has been driven by now.")]
)
def test_what_a_later_reading_shows_is_taken_off(driven: float, says: str) -> None:
    later = replace(LAST, driven_km=driven, read_at=datetime(2026, 10, 25, tzinfo=UTC))
    first = steps_to_ready([Found(R.MONITORS_INCOMPLETE, {}, 436.0)], later, Cells())[0]
    assert first.do.startswith(says)
    assert "were driven by the reading of 25" in first.note


def test_no_distance_from_before_a_repair_is_named_for_after_it() -> None:
    """Work ends with a clear, which begins every count anew."""
    steps = do(Found(R.PERMANENT_CODE, FAULT), Found(R.MONITORS_INCOMPLETE, {}, 389.0))
    assert steps[1] == "Drive after the work."
    assert not any("389" in step for step in steps)


def test_a_code_that_only_its_maker_can_read_is_not_explained_by_its_kind() -> None:
    """Y-504 of the demo: "The code says: maker-specific body code."."""
    facts = {**FAULT, "seen_on": "2026-09-07T07:28:00"}
    known, unknown = (
        steps_to_ready([Found(R.OPEN_FAULT, {**facts, "meaning": meaning})], LAST, Cells())[0].note
        for meaning in ("misfire, cylinder 1", "maker-specific body code")
    )
    assert known == "The code says: misfire, cylinder 1."
    assert unknown == "What it means stands in the maker's own documents."


def test_where_distance_settles_nothing_none_is_asked_for() -> None:
    assert do(Found(R.VIN_DIFFERS, {"unit": "engine"})) == [
        "Ask where the engine control unit comes from.",
        "Scan every control unit.",
    ]


def test_units_not_read_so_far_are_named_with_the_scan() -> None:
    (step,) = steps_to_ready(
        [Found(R.SCAN_PARTIAL, {"units": ["engine"], "unread": ["airbag", "body"]}, 0.0)],
        LAST,
        Cells(),
    )
    assert step.note == "Not read so far: airbag, body."
