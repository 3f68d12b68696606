"""Shapes that were refused and are read or asked about now, each rule by itself."""

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver
from tests.readers.test_import_maps import rows
from tests.readers.test_suggesting import NOW, usable


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(
    folder: Path,
    words: HeadingWords,
    lines: list[str],
    answers: Mapping[str, str] | None = None,
    *,
    known: Known | None = None,
    name: str = "file.csv",
) -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), known or Known(), NOW)
    return suggest_map(deliver(folder, name, "\n".join(lines).encode()), context, answers)


def read(
    made: Suggestion, folder: Path, lines: list[str], name: str = "file.csv"
) -> tuple[list[dict[str, Any]], list[tuple[str | None, str | None]]]:
    """Read lines with a suggested map: rows, and what was refused of which column."""
    found = MapReader(usable(made)).read(deliver(folder, name, "\n".join(lines).encode()))
    told = [row for part in found.parts for row in rows(found, part.table)]  # type: ignore[union-attr]
    return told, [(r.column, r.value) for r in found.rejections]


def workbook(sheets: Mapping[str, Sequence[Sequence[str]]]) -> bytes:
    """Write a workbook of texts."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    for name, lines in sheets.items():
        page = book.add_worksheet(name)
        for at, cells in enumerate(lines):
            page.write_row(at, 0, [cell or None for cell in cells])
    book.close()
    return file.getvalue()


COUNTERS = [
    "Vehicle,Date,Counter,Unit,ECU,Code",
    "V-1,2026-01-05,83120,km,Engine,P0301",
    "V-2,2026-01-06,3412.5,h,Engine,none",
]


def test_one_column_counts_km_or_hours_as_the_unit_beside_it_says(
    tmp_path: Path, words: HeadingWords
) -> None:
    told, refused = read(suggest(tmp_path, words, COUNTERS), tmp_path, COUNTERS)
    assert [(r.get("odometer_km"), r.get("engine_hours")) for r in told] == [
        ("83120.0", None),
        (None, "3412.5"),
    ]
    assert not refused


def test_a_unit_that_nobody_knows_is_refused_beside_known_ones(
    tmp_path: Path, words: HeadingWords
) -> None:
    later = [*COUNTERS[:2], "V-2,2026-01-06,3412.5,qq,Engine,none"]
    told, refused = read(suggest(tmp_path, words, COUNTERS), tmp_path, later)
    assert len(told) == 1
    assert refused == [("odometer_km", "3412.5 qq")]


def test_numbers_spelled_otherwise_than_in_the_vehicle_list_are_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    lines = ["Vehicle,Date,ECU,Code", "v-01,2026-01-05,Engine,P0301", "V-02,2026-01-06,ABS,C0035"]
    known = Known(frozenset({"V01", "V02"}), written={"V01": "V-01", "V02": "V-02"})
    assert [q.key for q in suggest(tmp_path, words, lines, known=known).questions] == ["numbers"]
    for answer, first in (("same", "V-01"), ("refuse", "v-01")):
        made = suggest(tmp_path, words, lines, {"numbers": answer}, known=known)
        assert [r["vehicle_id"] for r in read(made, tmp_path, lines)[0]] == [first, "V-02"]


LIST = [
    "Vehicle no,VIN,Make,Plate",
    "{north},,,",
    "V-1,XZ9AA11B2C3000001,Aro,NH-AB 101",
    "{south},,,",
    "V-2,XZ9AA11B2C3000002,Aro,no plate",
]


@pytest.mark.parametrize(
    ("north", "south", "answers", "column"),
    [
        ("Depot North", "Depot South", {}, "site"),
        ("North", "South", {"heads": "site"}, "site"),
        ("For sale", "Sold", {}, "stock_status"),
        ("Vans", "Trailers", {"heads": "kind"}, None),
    ],
)
def test_lines_above_groups_of_vehicles_say_where_or_what_they_are(
    tmp_path: Path,
    words: HeadingWords,
    north: str,
    south: str,
    answers: dict[str, str],
    column: str | None,
) -> None:
    lines = [line.format(north=north, south=south) for line in LIST]
    assert [q.key for q in suggest(tmp_path, words, lines).questions] == list(answers)
    told, _ = read(suggest(tmp_path, words, lines, answers), tmp_path, lines)
    assert [(r["vehicle_id"], r.get("plate")) for r in told] == [
        ("V-1", "NH-AB 101"),
        ("V-2", None),
    ]
    said = {"site": [north, south], "stock_status": ["in_stock", "sold"]}
    if column:
        assert [r[column] for r in told] == said[column]


def test_groups_of_which_some_do_not_count_are_no_map(tmp_path: Path, words: HeadingWords) -> None:
    lines = [line.format(north="Kept", south="Returned") for line in LIST]
    made = suggest(tmp_path, words, lines, {"heads": "stop"})
    assert [each.partition(":")[0] for each in made.missing] == ["vehicle_id"]


def test_a_second_sheet_says_what_letters_mean_of_units_without_a_code_too(
    tmp_path: Path, words: HeadingWords
) -> None:
    head = "Vehicle,Date,ECU,Code,St"
    body = "V-1,2026-01-05,Engine,P0301,P|V-1,2026-01-05,ABS,,T|V-1,2026-01-05,Airbag,,N"
    key = "P,present (active)|T,unit tested - no fault|N,unit did not answer"

    def told(key: str, body: str) -> tuple[list[tuple[Any, ...]], tuple[str, ...]]:
        sheets = {"Faults": [head, *body.split("|")], "Key": key.split("|")}
        made = {name: [line.split(",") for line in lines] for name, lines in sheets.items()}
        path = deliver(tmp_path, "faults.xlsx", workbook(made))
        found = suggest_map(path, Context(words, ControlUnits.load(IMPORTS.parent), Known(), NOW))
        if found.missing:
            return [], found.missing
        stored = rows(MapReader(usable(found)).read(path), "scans")
        return [(r["ecu"], r.get("status"), r.get("ecu_response")) for r in stored], ()

    assert told(key, body) == (
        [("Engine", "confirmed", None), ("ABS", None, None), ("Airbag", None, "no_answer")],
        (),
    )
    # a letter for a clean unit beside a code is no legend that could be followed
    assert told(key, body.replace("ABS,,T", "ABS,C0035,T"))[1][0].startswith("status: 'T'")
    assert told(key.replace("unit did not answer", "see page 4"), body)[1]


@pytest.mark.parametrize(
    ("above", "days", "read_as"),
    [
        ("Period: 15.12.2025 to 31.01.2026", ["18.12.", "07.01."], ["2025-12-18", "2026-01-07"]),
        ("Period: 01.01.2024 to 31.01.2026", ["18.12.", "07.01."], []),  # two years are possible
        ("Printed on 31.01.2026", ["18.12.", "07.01."], None),
    ],
)
def test_days_without_a_year_take_that_of_the_period_above(
    tmp_path: Path, words: HeadingWords, above: str, days: list[str], read_as: list[str] | None
) -> None:
    rows_of = [f"V-{n};{day};8312{n};Engine;P0301" for n, day in enumerate(days, 1)]
    lines = [above, "", "Vehicle;Date;Odometer km;ECU;Code", *rows_of]
    made = suggest(tmp_path, words, lines)
    if not read_as:
        assert any(each.startswith("scanned_at") for each in made.missing)
        return
    assert [r["scanned_at"][:10] for r in read(made, tmp_path, lines)[0]] == read_as
    later = [line.replace("07.01.", "18.06.") for line in lines]  # in no year within the period
    assert read(made, tmp_path, later)[1] == [("scanned_at", "18.06.")]


@pytest.mark.parametrize(
    ("above", "answers", "read_as"),
    [
        ("Readings at the end of each month", {}, "2026-02-28"),
        ("Odczyt pierwszego dnia miesiąca", {}, "2026-02-01"),
        ("Readings", {"month-day": "last"}, "2026-02-28"),
        ("Readings", {"month-day": "first"}, "2026-02-01"),
    ],
)
def test_of_months_a_line_above_or_a_person_says_which_day_is_meant(
    tmp_path: Path, words: HeadingWords, above: str, answers: dict[str, str], read_as: str
) -> None:
    lines = [above, "", "Vehicle;Month;Odometer km", "V-1;02/2026;83120", "V-2;02/2026;51000"]
    assert [q.key for q in suggest(tmp_path, words, lines).questions] == list(answers)
    told, _ = read(suggest(tmp_path, words, lines, answers), tmp_path, lines)
    assert {r["scanned_at"][:10] for r in told} == {read_as}
