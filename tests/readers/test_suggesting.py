"""Suggested maps: what is guessed, how sure, and that they can be used as they are."""

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError
from afterclear.readers.formats.workbook import Sheet, read_sheets
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.suggest import writing
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.columns.questions import MOST_QUESTIONS, Asker, Choice, Question
from afterclear.readers.suggest.evidence import source_file
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, all_samples, deliver, reader_named, rows_of
from tests.readers.workbooks import orders, xlsx

SAMPLES = {s.name: s for s in all_samples()}


NOW = datetime(2026, 11, 28, tzinfo=UTC)


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(folder: Path, name: str, raw: bytes, words: HeadingWords, **answers: str) -> Suggestion:
    units = ControlUnits.load(IMPORTS.parent)
    told = {key.replace("_", "-"): word for key, word in answers.items()}
    return suggest_map(deliver(folder, name, raw), Context(words, units, Known(), NOW), told)


def usable(suggestion: Suggestion) -> ImportMap:
    problems: list[str] = []
    made = parse_map(suggestion.text, "suggested", "suggested", problems)
    assert made is not None, (problems, suggestion.text)
    return made


def test_a_german_list_is_mapped_as_its_own_map_does(tmp_path: Path, words: HeadingWords) -> None:
    """Columns, decimal comma, the joined date and time, several codes a cell, status words."""
    sample = SAMPLES["fehlerliste_2025-10.csv"]
    suggestion = suggest(tmp_path, sample.name, sample.raw, words)
    found, own = usable(suggestion), reader_named(sample.reader).map  # type: ignore[attr-defined]
    assert (found.kind, found.delimiter, found.decimal, found.thousands) == (
        "delimited",
        ";",
        ",",
        ".",
    )
    assert found.table[0].columns["scanned_at"].date_format == own.date_format
    assert found.table[0].columns["code"].each
    for name in ("vin", "scanned_at", "odometer_km", "ecu", "ecu_response", "code", "status"):
        assert found.table[0].columns[name].from_ == own.table[0].columns[name].from_, name
    # the word nobody knows is asked for
    assert [q.key for q in suggestion.questions] == ["word:behoben"]
    assert suggestion.sure > 0.8


def test_a_suggestion_can_be_used_as_it_is(tmp_path: Path, words: HeadingWords) -> None:
    sample = SAMPLES["scan-export-2025.txt"]
    suggestion = suggest(tmp_path, sample.name, sample.raw, words)
    read = MapReader(usable(suggestion)).read(deliver(tmp_path, sample.name, sample.raw))
    whole = reader_named(sample.reader).read(deliver(tmp_path, sample.name, sample.raw))
    codes = [[dict(cells).get("code") for _, _, cells in rows_of(r)] for r in (read, whole)]
    assert codes[0] == codes[1]
    assert not read.rejections


def test_day_and_month_that_cannot_be_with_distinct_headings_are_said(
    tmp_path: Path, words: HeadingWords
) -> None:
    rows = "".join(f"T-1,0{n}/0{n + 1}/2025,P030{n}\n" for n in range(1, 6))
    raw = f"vehicle,date,code\n{rows}".encode()
    (question,) = suggest(tmp_path, "a.csv", raw, words).questions
    assert question.key == "date-order"
    assert question.words == ("day", "month")
    assert question.rows[0] == (
        "date 01/02/2025: 1 February 2025 (day first) or 2 January 2025 (month first)"
    )
    answered = suggest(tmp_path, "a.csv", raw, words, date_order="month")
    assert usable(answered).table[0].columns["scanned_at"].date_format == ("%m/%d/%Y",)
    clear = suggest(tmp_path, "a.csv", raw + b"T-1,12/25/2025,P0301\n", words)
    assert usable(clear).table[0].columns["scanned_at"].date_format == ("%m/%d/%Y",)


@pytest.mark.parametrize(
    ("name", "kind", "into", "line"),
    [
        ("telebox_7.json", "json", "scans", 'vehicle_id = "reports.vehicle.number"'),
        ("gatehouse_0412.xml", "xml", "scans", 'code = "inspections.inspection.unit.fault.@code"'),
        ("orders_2025.xlsx", "workbook", "repairs", 'repair_id = "Job"'),
        ("pool_harbour_2025.csv", "delimited", "vehicles", 'plate = "Plate"'),
        ("register_fevrier.prn", "fixed", "repairs", 'odometer_km = "KM"'),
    ],
)
def test_kind_table_and_columns_are_found(
    name: str, kind: str, into: str, line: str, words: HeadingWords, tmp_path: Path
) -> None:
    suggestion = suggest(tmp_path, name, SAMPLES[name].raw, words)
    assert (suggestion.kind, suggestion.into) == (kind, into)
    assert line in suggestion.text


def test_spn_and_fmi_are_put_together(tmp_path: Path, words: HeadingWords) -> None:
    sample = SAMPLES["telebox_7.json"]
    found = usable(suggest(tmp_path, sample.name, sample.raw, words))
    assert found.table[0].columns["code"].template == "SPN {} FMI {}"


def test_what_could_not_be_guessed_is_left_to_a_person(tmp_path: Path, words: HeadingWords) -> None:
    """No time: it is told as missing, and the map does not pass; whose it is came with the file."""
    suggestion = suggest(tmp_path, "a.csv", b"code,colour\nP0301,red\nP0302,blue\n", words)
    assert [what.partition(":")[0] for what in suggestion.missing] == ["scanned_at"]
    assert "whose rows these are is told with the file: T-1" in suggestion.text
    assert "not used, kept aside: colour (red, blue)" in suggestion.text
    assert suggestion.sure == 0


def test_prose_is_no_table(tmp_path: Path, words: HeadingWords) -> None:
    prose = b"Dear colleague,\nthe car came back with P0301 again.\nPlease call: 4711.\n"
    with pytest.raises(RefusedFileError, match="kind 'text'"):
        suggest(tmp_path, "a.txt", prose, words)


def test_a_report_in_lines_is_mapped_as_its_own_map_does(
    tmp_path: Path, words: HeadingWords
) -> None:
    """Of the sample's own map it lacks the report's number; no line is told that is not meant."""
    sample = SAMPLES["reading_0425.txt"]
    suggestion = suggest(tmp_path, sample.name, sample.raw, words)
    read = MapReader(usable(suggestion)).read(deliver(tmp_path, sample.name, sample.raw))
    whole = reader_named(sample.reader).read(deliver(tmp_path, sample.name, sample.raw))
    told = ("vehicle_id", "ecu", "code", "status")
    rows = [
        {line: tuple(dict(cells).get(n) for n in told) for _, line, cells in rows_of(r)}
        for r in (read, whole)
    ]
    assert rows[0].items() <= rows[1].items()
    assert set(rows[1]) - set(rows[0]) <= {r.line for r in read.rejections}


def test_a_line_that_names_its_unit_is_not_told_of_the_unit_above(
    tmp_path: Path, words: HeadingWords
) -> None:
    lines = "Plate: AA-103-BB\nDate: 13/02/2026\nCalculateur : Moteur\nP0420 (mémorisé)\n"
    raw = f"{lines}ABS: aucun défaut\nStatut: aucun défaut\n".encode()
    suggestion = suggest(tmp_path, "a.txt", raw, words, plates="plate")
    read = MapReader(usable(suggestion)).read(deliver(tmp_path, "a.txt", raw))
    found = [dict(cells) for _, _, cells in rows_of(read)]
    assert [(row["ecu"], row.get("code")) for row in found] == [("Moteur", "P0420"), ("ABS", None)]
    assert [r.value for r in read.rejections] == ["Statut: aucun défaut"]


MANY = (
    b"Fleet no,Unit no,Read on,Recorded,Mileage,Engine hours,Fault code,Status\n"
    b'7,A,03/04/2026,04/05/2026,"51,650",1.250,0301,foo\n'
    b'8,B,05/06/2026,06/07/2026,"52,700",2.375,0420,bar\n'
    b'8,B,05/06/2026,06/07/2026,"52,710",2.376,,baz\n'
)


@pytest.mark.slow
def test_a_file_is_asked_seven_things_at_most_and_the_rest_is_refused(
    tmp_path: Path, words: HeadingWords
) -> None:
    """Eight are open: a word of a status says least, and rows with it are refused."""
    answers: dict[str, str] = {}
    while left := suggest(tmp_path, "a.csv", MANY, words, **answers).questions:
        assert len(left) + len(answers) <= MOST_QUESTIONS
        dot_first = left[0].words if left[0].key != "decimal-mark" else ("dot",)
        answers[left[0].key] = dot_first[0]
    assert list(answers)[:3] == ["decimal-mark", "date-order", "time"]
    assert len(answers) == MOST_QUESTIONS
    suggestion = suggest(tmp_path, "a.csv", MANY, words, **answers)
    assert "not asked, 7 questions are enough: What does 'baz' say of status?" in suggestion.text
    read = MapReader(usable(suggestion)).read(deliver(tmp_path, "a.csv", MANY))
    assert [(r.column, r.value) for r in read.rejections] == [("status", "baz")]


def test_what_may_not_be_guessed_and_is_one_too_many_refuses_the_file() -> None:
    asker = Asker({})
    for key in (*"abcdefg", "h"):
        asker.choose(Question(key, "?", (Choice("x", "?"),)))
    with pytest.raises(RefusedFileError, match="by hand"):
        asker.too_many("a.csv")


def test_each_column_is_told_with_its_values_its_reason_and_what_else_it_may_be(
    tmp_path: Path, words: HeadingWords
) -> None:
    suggestion = suggest(tmp_path, "a.csv", MANY, words, decimal_mark="dot")
    told = {column.heading: column for column in suggestion.columns}
    assert told["Read on"].looks == "dates: 03/04/2026, 05/06/2026"
    assert told["Read on"].taken_as == ("scanned_at",)
    assert told["Read on"].reason.startswith("94% sure: all its values are times")
    assert told["Recorded"].taken_as == ()
    assert told["Recorded"].others == ("time (94%)",)
    assert told["Unit no"].others == ("vehicle id (94%)",)
    assert told["Fault code"].looks == "numbers: 0301, 0420; empty in 1 of 3 rows"
    assert suggestion.first_rows[0].line == 2
    assert ("Mileage", "51,650") in suggestion.first_rows[0].cells


def test_codes_cleared_among_codes_read_are_asked_for_and_become_clears(
    tmp_path: Path, words: HeadingWords
) -> None:
    raw = b"vehicle,date,code,event\nT-1,2026-03-01,P0301,seen\nT-1,2026-03-02,P0301,cleared\n"
    (question,) = suggest(tmp_path, "a.csv", raw, words).questions
    assert (question.key, question.words) == ("rows", ("clears", "scans", "leave"))
    assert question.rows == ("vehicle: T-1, date: 2026-03-02, code: P0301, event: cleared",)
    made = usable(suggest(tmp_path, "a.csv", raw, words, rows="clears"))
    read = MapReader(made).read(deliver(tmp_path, "a.csv", raw))
    assert [(table, line) for table, line, _ in rows_of(read)] == [("scans", 2), ("clears", 3)]


def test_a_unit_that_never_had_a_code_is_read_beside_those_that_had(
    tmp_path: Path, words: HeadingWords
) -> None:
    raw = b"vehicle,date,Engine,Airbag\nT-1,2026-03-01,P0301,none\nT-2,2026-03-02,none,none\n"
    made = usable(suggest(tmp_path, "a.csv", raw, words))
    read = MapReader(made).read(deliver(tmp_path, "a.csv", raw))
    found = [
        (row["ecu"], row.get("code")) for _, _, cells in rows_of(read) for row in [dict(cells)]
    ]
    assert sorted(found, key=str) == [
        *(("Airbag", None), ("Airbag", None), ("Engine", "P0301"), ("Engine", None)),
    ]


def test_two_columns_of_codes_are_asked_for(tmp_path: Path, words: HeadingWords) -> None:
    raw = b"vehicle,date,codes before,codes after\nT-1,2026-03-01,P0301,P0420\n"
    (question,) = suggest(tmp_path, "a.csv", raw, words).questions
    assert (question.key, question.words) == ("codes", ("codes before", "codes after"))


@pytest.mark.parametrize(
    "raw", [b"", b"\n\n\n", b"{}", b"[]", b"<a/>", b"a;b\n", b"<table></table>"]
)
def test_next_to_nothing_is_refused_by_name_or_guessed(
    raw: bytes, tmp_path: Path, words: HeadingWords
) -> None:
    try:
        said = suggest(tmp_path, "a.csv", raw, words).text
    except RefusedFileError as error:
        said = str(error)
    assert "a.csv" in said


def test_hostile_headings_stay_within_their_line(tmp_path: Path, words: HeadingWords) -> None:
    """A heading with quotes and line breaks is text in the TOML, in columns and in remarks."""
    sheets = {"S": [['code"]\n[evil]', "date", "x\ny = 1"], ["P0301", "2025-01-01", "z\n[bad]"]]}
    suggestion = suggest(tmp_path, "a.xlsx", xlsx(sheets), words)
    assert not [
        line for line in suggestion.text.splitlines() if line.startswith(("[evil", "[bad", "y ="))
    ]


def test_a_workbook_is_unpacked_once_however_often_its_suggestion_is_tried(
    tmp_path: Path, words: HeadingWords, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When they were read nothing tells, so each answer to the open questions is tried."""
    opened = []

    def counted(raw: bytes, where: str, **how: Any) -> list[Sheet]:
        opened.append(where)
        return read_sheets(raw, where, **how)

    monkeypatch.setattr(source_file, "read_sheets", counted)
    head = ["Vehicle", "Odometer", "ECU", "DTC"]
    lines = [["V-1", 83120, "Engine", "0301"], ["V-2", 84500, "Engine", "0420"]]
    made = suggest(tmp_path, "a.xlsx", xlsx({"Sheet1": [head, *lines]}), words)
    assert any("scanned_at" in what for what in made.missing)
    assert opened == ["a.xlsx"]


def test_the_first_sheet_that_looks_like_a_table_is_taken(
    tmp_path: Path, words: HeadingWords
) -> None:
    found = suggest(tmp_path, "a.xlsx", xlsx(orders()), words)
    assert 'sheet = "2025-03"' in found.text
    assert 'header_has = ["Job", "Vehicle", "Done"]' in found.text


def test_headings_of_two_lines_with_merged_cells_are_read_by_the_lower_line(
    tmp_path: Path, words: HeadingWords
) -> None:
    """As people make them: ``Vehicle`` over two rows, ``When`` over ``Date`` and ``Time``."""
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    sheet = book.add_worksheet("May")
    for place, text in MERGED:
        (sheet.merge_range if ":" in place else sheet.write)(place, text)
    for r, row in enumerate(MERGED_ROWS):
        sheet.write_row(3 + r, 0, row)
    sheet.merge_range("G4:G5", 120)  # a cost for both rows: no row's own
    sheet.merge_range("H4:H5", "one order")
    sheet.merge_range("I4:I5", "80,50")  # a number as text
    book.close()
    found = suggest(tmp_path, "may.xlsx", file.getvalue(), words)
    assert found.into == "scans"
    for line in ('vehicle_id = "Vehicle"', '"Date", "Time"', 'odometer_km = "Odometer (km)"',
                 'code = "Code"', 'ecu = "Unit"'):  # fmt: skip
        assert line in found.text
    (read,) = read_sheets(file.getvalue(), "may.xlsx")
    assert [cells[6:] for _, cells in read.grid[3:]] == [
        ["120", "one order", "80,50"],
        [None, "one order", None],
    ]


MERGED = (
    *(("A1:F1", "Fault list"), ("A2:A3", "Vehicle"), ("B2:C2", "When"), ("B3", "Date")),
    *(("C3", "Time"), ("D2:D3", "Odometer (km)"), ("E2:F2", "Fault"), ("E3", "Code")),
    *(("F3", "Unit"), ("G2:G3", "Cost"), ("H2:H3", "Remark")),
)
MERGED_ROWS = (
    ("V-11", "2026-03-04", "10:15", 45678, "P0301", "engine"),
    ("V-12", "2026-03-05", "11:15", 5678, "P0420", "engine"),
)


def test_rows_dropped_by_one_column_for_two_reasons_are_dropped_for_both() -> None:
    """Headings that come again on each page, and rows of another kind."""
    first, second = {"drop_where": {"Event": "^Event$"}}, {"drop_where": {"Event": "^Cleared$"}}
    assert writing._joined(first, second) == {"Event": "^Event$|^Cleared$"}  # noqa: SLF001
    assert writing._joined(first, first) == {"Event": "^Event$"}  # noqa: SLF001


def test_a_time_with_a_word_in_it_is_no_vehicle(tmp_path: Path, words: HeadingWords) -> None:
    """Its digits and letters are as many as a VIN's nearly are."""
    reading = {"pojazd": "M-7", "kiedy": "13.02.2026 godz. 14:05", "kod": "P0301"}
    raw = json.dumps([reading, reading | {"kod": "P0420"}]).encode()
    columns = usable(suggest(tmp_path, "odczyt.json", raw, words)).table[0].columns
    assert "vin" not in columns
    assert columns["scanned_at"].from_ == ("kiedy",)


def test_orders_that_do_not_say_what_was_done_are_not_taken(
    tmp_path: Path, words: HeadingWords
) -> None:
    raw = (
        b"Order no;Vehicle;Date;Odometer km;Bay\n"
        b"A-1;M-7;2026-03-16;83120;2\n"
        b"A-2;M-8;2026-03-17;51650;1\n"
    )
    assert "# missing: what was done" in suggest(tmp_path, "plan.csv", raw, words).text
