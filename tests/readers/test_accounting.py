"""What a suggested map leaves over of a file is asked about: one look-alike beside each doubt."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggest.account.named_things import things_in
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver

NOW = datetime(2026, 11, 28, tzinfo=UTC)
KNOWN = Known(numbers=frozenset({"V01", "V02"}))


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(
    folder: Path, text: str, words: HeadingWords, answers: dict[str, str] | None = None
) -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), KNOWN, NOW)
    return suggest_map(deliver(folder, "x.csv", text.encode()), context, answers or {})


def table(heading: str, *cells: str, beside: tuple[str, ...] = ()) -> str:
    lines = [f"Vehicle,Date,Odometer km,Module,DTC,{heading}"]
    lines += [f"V-0{n},2026-03-1{n},8312{n},Engine,P030{n},{c}" for n, c in enumerate(cells, 1)]
    return "\n".join([*beside, *lines]) + "\n"


def keys(found: Suggestion) -> list[str]:
    return [question.key for question in found.questions]


@pytest.mark.parametrize(
    ("heading", "cells", "asked"),
    [
        ("Kind", ("K", "G"), ["aside:Kind"]),
        ("Bay", ("K", "G"), []),
        ("Info", ("", "entered wrong - see above"), ["aside:Info"]),
        ("Info", ("", "a rattle from the left"), []),
        ("Weekday", ("Wed", "Thu"), []),
    ],
)
def test_a_column_passed_over_is_asked_about_if_it_may_part_rows(
    tmp_path: Path, words: HeadingWords, heading: str, cells: tuple[str, ...], asked: list[str]
) -> None:
    assert keys(suggest(tmp_path, table(heading, *cells), words)) == asked


def test_rows_that_do_not_count_are_left_out_as_answered(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = table("Info", "", "entered wrong")
    left = suggest(tmp_path, text, words, {"aside:Info": "leave"})
    assert not left.missing
    assert "drop_where" in left.text
    stopped = suggest(tmp_path, text, words, {"aside:Info": "stop"})
    assert "may" not in stopped.missing[0]
    assert "Do they count?" in stopped.missing[0]


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("All distances in miles", ["line"]),
        ("These readings are provisional", ["line"]),
        ("V-02 had P0420 on 2026-03-01", ["line"]),
        ("Fault list of the north depot", []),
        ("Printed 28/11/2026", []),
    ],
)
def test_a_line_above_that_may_change_what_rows_mean_is_asked_about(
    tmp_path: Path, words: HeadingWords, line: str, asked: list[str]
) -> None:
    found = suggest(tmp_path, table("Bay", "1", "2", beside=(line,)), words)
    assert [key for key in keys(found) if key != "odometer-unit"] == asked


def test_small_distances_and_falling_ones_are_no_odometer_without_asking(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle,Date,Odometer km,Module,DTC\n"
    small = "".join(f"V-0{n},2026-03-1{n},31{n},Engine,P030{n}\n" for n in (1, 2))
    assert keys(suggest(tmp_path, text + small, words)) == ["sense:small-distance"]
    falling = "V-01,2026-03-11,83120,Engine,P0301\nV-01,2026-03-12,51650,Engine,P0301\n"
    assert keys(suggest(tmp_path, text + falling, words)) == ["sense:falling"]


def test_what_a_doubt_is_about_can_be_left_out(tmp_path: Path, words: HeadingWords) -> None:
    text = "Vehicle,Date,Odometer km,Module,DTC\n"
    text += "V-01,2026-03-11,83120,Engine,P0301\nV-01,2026-03-12,51650,Engine,P0301\n"
    found = suggest(tmp_path, text, words, {"sense:falling": "leave"})
    assert not found.missing
    assert "odometer_km =" not in found.text


def test_a_question_whose_answers_lead_to_no_map_is_not_asked(
    tmp_path: Path, words: HeadingWords
) -> None:
    """What codes are would be open, but nothing says when they were read."""
    text = "Vehicle,Odometer km,Module,DTC\nV-01,83120,Engine,0301\nV-02,51650,Engine,0420\n"
    found = suggest(tmp_path, text, words)
    assert (keys(found), len(found.missing)) == ([], 1)
    assert "# left open: What are codes such as 0301?" in found.text


def test_a_distance_with_other_numbers_before_it_is_the_same() -> None:
    line = "I-5081   V-01   5 May 2026   402,117 km"
    assert ("distance", "402117") in things_in(line, KNOWN)
    assert ("distance", "184042") in things_in("184 042 km", KNOWN)


def test_a_day_is_the_same_in_any_order_and_so_is_a_number_with_its_unit() -> None:
    assert things_in("13.02.2026", KNOWN) == things_in("2026-02-13T14:05", KNOWN)
    assert things_in("83.120 km", KNOWN) == things_in("83,120 km", KNOWN)


def test_numbers_and_sales_of_a_vehicle_list_are_not_passed_over(
    tmp_path: Path, words: HeadingWords
) -> None:
    rows = ("101,", "102,sold in May", "103,")
    text = "Internal,Remark,VIN,Make,Model\n"
    text += "".join(f"{row},XZ9AA11B2C300000{n},Aro,X\n" for n, row in enumerate(rows, 1))
    found = suggest(tmp_path, text, words)
    assert keys(found) == ["aside:Internal", "aside:Remark"]
