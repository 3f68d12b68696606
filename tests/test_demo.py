"""The demo as a user runs it finds the stories planted in the sample data.

What was planted stands in sample_data/STORIES.md; the dates here pick one attempt of a vehicle.
"""

import re

import polars as pl
import pytest

from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.exporting import export_frame
from afterclear.records import LoadResult


@pytest.fixture(scope="module")
def attempts(demo_run: tuple[App, DemoReport]) -> pl.DataFrame:
    return export_frame(demo_run[0], "attempts")


FOUND = [  # vehicle, code, n-th attempt at it, expected
    ("M-101", "C0034-13", 1, {"outcome": "held", "kind": "repair"}),
    ("M-103", "C003A-13", 1, {"outcome": "held"}),
    ("M-104", "P0442", 1, {"outcome": "held"}),  # pending once is a sign
    ("M-105", "P0133", 1, {"outcome": "came_back"}),  # pending twice is a return
    ("M-106", "P0133", 1, {"outcome": "on_watch"}),
    ("M-110", "P0672", 1, {"outcome": "came_back", "stayed": True}),
    ("M-110", "P0672", 2, {"outcome": "held", "stayed": False}),
    ("M-111", "C0037-13", 4, {"outcome": "came_back"}),  # and went without work
    ("M-112", "B0001-13", 1, {"outcome": "unchecked"}),  # the unit does not answer
    ("P-201", "P0302", 1, {"outcome": "came_back"}),
    ("P-201", "P0302", 2, {"outcome": "held"}),
    ("P-202", "C0037-13", 1, {"outcome": "held"}),
    ("P-203", "U0415-86", 1, {"outcome": "came_back", "kind": "repair"}),
    ("P-204", "C003A-13", 1, {"outcome": "unchecked"}),  # nobody read the brakes
    ("P-209", "C0031-13", 1, {"outcome": "came_back", "related_code": "C0031-2F"}),
    ("P-212", "P0299", 1, {"outcome": "came_back", "site": "Orrinby"}),
    ("T-301", "P0401", 1, {"outcome": "came_back", "kind": "clear_only"}),
    ("T-301", "P0401", 4, {"outcome": "came_back", "kind": "clear_only"}),
    ("T-302", "P0401", 1, {"outcome": "came_back"}),  # with the late file
    ("T-303", "SPN 3216 FMI 4", 1, {"outcome": "unchecked"}),  # live messages only
    ("T-305", "SPN 1761 FMI 3", 1, {"outcome": "held", "clock": "engine_hours"}),
    ("T-306", "P2202", 1, {"outcome": "came_back"}),  # status bit 5
    ("T-307", "skelvorn:4471", 1, {"outcome": "held"}),
    ("H-401", "P0420", 1, {"outcome": "held"}),  # a permanent code alone is no return
]


@pytest.mark.parametrize(
    ("vehicle", "code", "nth", "expected"), FOUND, ids=[f"{v} {c} {n}" for v, c, n, _ in FOUND]
)
def test_a_planted_story_is_found(
    attempts: pl.DataFrame, vehicle: str, code: str, nth: int, expected: dict[str, object]
) -> None:
    own = attempts.filter(
        (pl.col("vehicle_id") == vehicle) & (pl.col("code") == code) & (pl.col("attempt_no") == nth)
    )
    found = own.sort("attempted_at").row(0, named=True)
    assert {name: found[name] for name in expected} == expected


def test_the_come_back_in_about_400_km_is_told_with_its_distance(attempts: pl.DataFrame) -> None:
    own = attempts.filter((pl.col("vehicle_id") == "P-201") & (pl.col("code") == "P0302"))
    first = own.sort("attempt_no").row(0, named=True)
    assert first["returned_low_km"] == 0
    assert 400 <= first["returned_high_km"] <= 500


def test_the_clear_nobody_wrote_down_is_found_where_it_was(attempts: pl.DataFrame) -> None:
    """Cleared at 185,999 km, told by a counter at 187,514 km; the gap before is not evidence."""
    (attempt,) = attempts.filter(
        (pl.col("vehicle_id") == "P-210") & (pl.col("code") == "P0128")
    ).to_dicts()
    watched = (184_927 - 184_140) + (187_514 - 185_999)
    assert attempt["clean_km"] == pytest.approx(watched, abs=30)


def test_wrong_odometer_readings_are_set_aside_with_their_reason(
    demo_run: tuple[App, DemoReport],
) -> None:
    aside = export_frame(demo_run[0], "odometer").drop_nulls("set_aside")
    assert dict(zip(aside["vehicle_id"], aside["set_aside"], strict=True)) == {
        "M-107": "units",
        "P-205": "single",
        "Y-503": "lasting_drop",
        "Y-504": "lasting_drop",
    }


def test_every_row_of_every_delivery_is_accounted_for(demo_run: tuple[App, DemoReport]) -> None:
    results: tuple[LoadResult, ...] = demo_run[1].load.results
    assert all(r.rows_read == r.rows_stored + r.rows_duplicate + r.rows_rejected for r in results)
    by_outcome = {r.outcome for r in results}
    assert by_outcome == {"stored", "known"}  # a second delivery, and nothing refused whole
    assert sum(r.rows_rejected for r in results) == len(export_frame(demo_run[0], "rejections")) > 0
    assert sum(r.rows_corrected for r in results) > 0
    assert sum(r.rows_duplicate for r in results) > 0


def test_all_four_outcomes_occur(attempts: pl.DataFrame) -> None:
    assert set(attempts["outcome"]) == {"held", "came_back", "on_watch", "unchecked"}


def test_pages_name_the_scans_behind_each_verdict(
    demo_run: tuple[App, DemoReport], attempts: pl.DataFrame
) -> None:
    """Every attempt that came back or held names the scan that says so on its vehicle's page."""
    folder = demo_run[1].digest.index.parent
    texts = (path.read_text(encoding="utf-8") for path in folder.rglob("*.html"))
    words = {word for text in texts for word in re.findall(r"[\w-]+", text)}
    for row in attempts.filter(pl.col("outcome").is_in(["came_back", "held"])).to_dicts():
        scan = row["returned_scan_id"] or row["last_clean_scan_id"]
        assert scan in words, row
