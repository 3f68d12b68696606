"""Rules found by files of someone who had not seen the importer, each by itself."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.names_in_text import without_country
from afterclear.readers.formats.html_tables import html_tables
from afterclear.readers.mapped.map_times import TimeRules, instants
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver

NOW = datetime(2026, 11, 28, tzinfo=UTC)


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(folder: Path, text: str, words: HeadingWords, name: str = "x.csv") -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), Known(), NOW)
    return suggest_map(deliver(folder, name, text.encode()), context, {})


def test_codes_that_are_not_understood_are_missed_and_their_rows_not_taken_for_clean(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle,Date,Odometer km,Module,DTC\n"
    text += "".join(f"V-0{n},2026-03-1{n},8312{n},Engine,PO3X{n}\n" for n in range(1, 4))
    found = suggest(tmp_path, text, words)
    assert "missing: code: 'DTC' is headed as such" in found.text


def test_a_row_of_units_below_the_headings_is_left_out(tmp_path: Path, words: HeadingWords) -> None:
    text = "Vehicle,Date,Odometer,Module,DTC\n,yyyy-mm-dd,km,,\n"
    text += "".join(f"V-0{n},2026-03-1{n},8312{n},Engine,P030{n}\n" for n in range(1, 4))
    assert 'drop_where = { Date = "^yyyy\\\\-mm\\\\-dd$" }' in suggest(tmp_path, text, words).text


def test_underlined_names_are_units_and_a_rule_of_dashes_is_no_answer(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle: V-01\nDate: 2026-03-14 10:00\n\nRear pump\n---------\nP0301 stored\n\n"
    text += "Hoist\n-----\nNo codes\n"
    found = suggest(tmp_path, text, words, "x.txt")
    assert "(?P<ecu>Rear\\\\s+pump|Hoist)" in found.text
    assert "(?P<code>No\\\\s+codes)" in found.text


@pytest.mark.parametrize(
    ("written", "utc"),
    [("2026-03-14 21:05 CET", "20:05"), ("2026-07-14 21:05 MESZ", "19:05"),
     ("2026-03-14 21:05 UTC", "21:05")],
)  # fmt: skip
def test_names_of_zones_that_mean_one_offset_are_read(written: str, utc: str) -> None:
    rules = TimeRules(("%Y-%m-%d %H:%M %#z",), "UTC")
    assert instants(pl.Series([written]), rules).text[0][11:16] == utc


@pytest.mark.parametrize(
    ("plate", "plain"),
    [("D NH-AB 101", "NHAB101"), ("D-NH AB 101", "NHAB101"), ("A-NH 101", "ANH101"),
     ("PL WX 12345", "WX12345"), ("DNH 101", "DNH101")],
)  # fmt: skip
def test_the_sign_of_a_country_is_no_part_of_a_plate(plate: str, plain: str) -> None:
    assert without_country(plate) == plain


def test_a_list_of_terms_is_read_as_labels_with_their_values() -> None:
    page = "<dl><dt>Vehicle</dt>\n<dd>V-01</dd><dt>Read:</dt><dd>today</dd></dl><table><tr><td>x</td></tr></table>"  # noqa: E501
    (table,) = html_tables(page, "x.html")
    assert [line.strip() for line in table.above.splitlines() if line.strip()] == [
        "Vehicle: V-01",
        "Read: today",
    ]


def test_parts_of_a_day_are_times_but_under_a_heading_of_hours_they_are_hours(
    tmp_path: Path, words: HeadingWords
) -> None:
    rows = "".join(f"V-0{n},4609{n},0.{n}5,8312{n},P030{n}\n" for n in range(1, 4))
    timed = suggest(tmp_path, f"Vehicle,Date,Time,Odometer km,DTC\n{rows}", words)
    hours = suggest(tmp_path, f"Vehicle,Date,Engine hours,Odometer km,DTC\n{rows}", words)
    assert 'scanned_at = ["Date", "Time"]' in timed.text
    assert 'engine_hours = "Engine hours"' in hours.text
