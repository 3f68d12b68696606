"""Cells that are written oddly: about so much, by weeks, over days, in several hands, denied."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from afterclear.records import ReadFile
from tests.readers.samples import IMPORTS, deliver

NOW = datetime(2026, 11, 28, tzinfo=UTC)


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(folder: Path, text: str, words: HeadingWords, **answers: str) -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), Known(), NOW)
    return suggest_map(deliver(folder, "x.csv", text.encode()), context, answers)


def read(folder: Path, text: str, suggested: Suggestion) -> ReadFile:
    """Read a file by its suggested map."""
    assert not suggested.questions, suggested.questions
    assert not suggested.missing, suggested.missing
    problems: list[str] = []
    made = parse_map(suggested.text, "x", "x", problems)
    assert made is not None, problems
    return MapReader(made).read(deliver(folder, "x.csv", text.encode()))


def cells(file: ReadFile, column: str) -> list[object]:
    return [cell for part in file.parts for cell in part.frame[column]]


HEAD = "Fahrzeug;Datum;km-Stand;Steuergerät;Fehlercode\n"


def scans(*kms: str, codes: tuple[str, ...] = (), days: tuple[str, ...] = ()) -> str:
    """Write rows with these distances, codes or days."""
    n = max(len(kms), len(codes), len(days))
    rows = zip(
        days or [f"{13 + i}.02.2026" for i in range(n)],
        kms or [f"{124001 + i}" for i in range(n)],
        codes or ["P0301"] * n,
        strict=True,
    )
    lines = (f"V-0{i};{d};{k};Motor;{c}\n" for i, (d, k, c) in enumerate(rows, 1))
    return HEAD + "".join(lines)


@pytest.mark.parametrize("about", ["ca. 98.000", "~98.000 km", "env. 98.000", "około 98.000"])
def test_distances_that_are_about_so_much_are_asked_about(
    tmp_path: Path, words: HeadingWords, about: str
) -> None:
    text = scans("124.001", about, "71.200")
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "about"
    assert about in question.text
    taken = read(tmp_path, text, suggest(tmp_path, text, words, about="take"))
    assert cells(taken, "odometer_km") == ["124001", "98000", "71200"]
    left = read(tmp_path, text, suggest(tmp_path, text, words, about="leave"))
    assert cells(left, "odometer_km") == ["124001", None, "71200"]


def test_an_odometer_in_several_hands_has_thousands_only(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = scans("98.000", "51 310", "90,450", "124001")
    found = read(tmp_path, text, suggest(tmp_path, text, words))
    assert cells(found, "odometer_km") == ["98000", "51310", "90450", "124001"]


def test_tenths_in_one_of_several_hands_leave_the_marks_open(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = scans("98.000", "90,450", "71200,5")
    assert 'thousands = ".,"' not in suggest(tmp_path, text, words).text


def test_another_column_of_numbers_is_not_read_in_several_hands(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle;Date;Odometer km;Engine hours;DTC\n"
    text += "V-01;2026-02-14;83.700;204,500;P0301\nV-02;2026-02-14;52.000;988,250;P0420\n"
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "decimal-mark"


def test_a_map_reads_marks_of_its_column_and_refuses_what_is_left_in_doubt(tmp_path: Path) -> None:
    text = "n;d;km\nV-1;2026-01-02;98.000\nV-1;2026-01-03;98,5\nV-1;2026-01-04;98.000,123\n"
    said = (
        'kind = "delimited"\nfiles = ["x.csv"]\ndelimiter = ";"\n[[table]]\ninto = "scans"\n'
        '[table.columns]\nvehicle_id = "n"\nscanned_at = "d"\necu = { value = "Motor" }\n'
        'odometer_km = { from = "km", thousands = ".,", unit = "km" }\n'
    )
    made = parse_map(said, "x", "x", [])
    assert made is not None
    found = MapReader(made).read(deliver(tmp_path, "x.csv", text.encode()))
    assert cells(found, "odometer_km") == ["98000"]
    assert [r.value for r in found.rejections] == ["98,5", "98.000,123"]


@pytest.mark.parametrize(
    ("day", "read_as"),
    [("2026-W11-6", "2026-03-14"), ("2026W117", "2026-03-15"), ("2020-W53-7", "2021-01-03")],
)
def test_days_by_their_week_are_those_of_the_calendar(
    tmp_path: Path, words: HeadingWords, day: str, read_as: str
) -> None:
    # held against the standard library's reading of ISO 8601
    assert datetime.fromisoformat(day).date().isoformat() == read_as
    text = scans(days=(day, day))
    found = read(tmp_path, text, suggest(tmp_path, text, words))
    assert cells(found, "scanned_at") == [f"{read_as}T00:00:00Z"] * 2


def test_of_two_days_of_a_reading_someone_must_say_which_counts(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = scans(days=("12-14.02.2026", "15.02.2026", "27.02. bis 01.03.2026"))
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "span"
    last = read(tmp_path, text, suggest(tmp_path, text, words, span="last"))
    assert [str(c)[:10] for c in cells(last, "scanned_at")] == [
        "2026-02-14", "2026-02-15", "2026-03-01"]  # fmt: skip
    other = read(tmp_path, text, suggest(tmp_path, text, words, span="refuse"))
    assert [r.value for r in other.rejections] == ["12-14.02.2026", "27.02. bis 01.03.2026"]


def test_work_is_done_by_the_last_of_its_days(tmp_path: Path, words: HeadingWords) -> None:
    text = "Auftrag;Fahrzeug;Datum;km-Stand;Arbeit\n"
    text += "A-1;V-01;12-14.02.2026;124001;Zündspule ersetzt\n"
    text += "A-2;V-02;13.02.2026;98020;Radsensor ersetzt\n"
    found = suggest(tmp_path, text, words)
    assert "not asked: Some rows tell a first and a last day" in found.text
    assert str(cells(read(tmp_path, text, found), "repaired_at")[0])[:10] == "2026-02-14"


def test_a_span_that_runs_backwards_is_none(tmp_path: Path, words: HeadingWords) -> None:
    found = suggest(tmp_path, scans(days=("14-12.02.2026", "15.02.2026")), words)
    assert any("scanned_at" in each for each in found.missing)


@pytest.mark.parametrize("said", ["kein P0420", "no P0420", "P0420 nicht gefunden", "sin P0420"])
def test_a_code_that_was_not_found_is_asked_about(
    tmp_path: Path, words: HeadingWords, said: str
) -> None:
    text = scans(codes=("P0301", said, "P0171"))
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "denied"
    assert said in question.text
    clean = read(tmp_path, text, suggest(tmp_path, text, words, denied="clean"))
    assert cells(clean, "code") == ["P0301", None, "P0171"]


def test_an_empty_memory_is_one_only_where_a_memory_is_named(
    tmp_path: Path, words: HeadingWords
) -> None:
    codes = ("P0171+P0174", "leer", "P0301")
    memory = scans(codes=codes).replace("Fehlercode", "Fehlerspeicher bei Annahme")
    found = read(tmp_path, memory, suggest(tmp_path, memory, words))
    assert cells(found, "code") == ["P0171", "P0174", None, "P0301"]
    assert '"leer" = ""' not in suggest(tmp_path, scans(codes=codes), words).text


def test_lines_that_are_within_quotes_as_a_whole_are_read_without_them(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = '"Vehicle,Date,Odometer km,DTC,Text"\n"V-01,2026-03-14,83120,P0301,""worn, left"""\n'
    text += "V-02,2026-03-15,51650,C0035,front\n"
    found = read(tmp_path, text, suggest(tmp_path, text, words))
    assert cells(found, "vehicle_id") == ["V-01", "V-02"]
    assert cells(found, "description") == ["worn, left", "front"]


@pytest.mark.parametrize("said", ["P0301 bis P0303", "P0301-P0303", "P0301 à P0303"])
def test_codes_from_one_to_another_are_asked_about(
    tmp_path: Path, words: HeadingWords, said: str
) -> None:
    text = scans(codes=("P0420", said, "P0171", "C0035"))
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "code-range"
    answers = {"code-range": "all"}
    found = read(tmp_path, text, suggest(tmp_path, text, words, **answers))
    assert cells(found, "code") == ["P0420", "P0301", "P0302", "P0303", "P0171", "C0035"]


@pytest.mark.parametrize("said", ["P0303-P0301", "P0301-P0420", "C0035-11"])
def test_other_codes_with_a_dash_are_no_range(
    tmp_path: Path, words: HeadingWords, said: str
) -> None:
    found = suggest(tmp_path, scans(codes=("P0420", said, "P0171", "C0035")), words)
    assert "up_to" not in found.text
    assert "code-range" not in [q.key for q in found.questions]
