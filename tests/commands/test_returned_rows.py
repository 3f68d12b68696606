"""Refused rows as a workbook: taken, mended, brought back, each counted once.

Workbooks are read here in the test's own process; ``tests/desk/test_returned_rows.py`` goes the
whole way.
"""

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from zipfile import ZipFile

import pytest

from afterclear.commands.app import App, app_at
from afterclear.commands.forgetting import forget
from afterclear.commands.intake.replaying import replay
from afterclear.commands.intake.retracting import retract
from afterclear.commands.queries.refused_workbook import RefusedBook, refused_workbook
from afterclear.config import Config
from afterclear.errors import UsageError
from afterclear.load import Arrival, load_file
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.formats.workbook import read_sheets
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.reader import Reader
from afterclear.readers.registry import all_readers, identify
from afterclear.records import Delivery, LoadResult
from afterclear.store.engine.database import open_store
from afterclear.store.upkeep.checks import check_rows
from tests.readers.workbooks import Sheets, ods, xlsx
from tests.store.deliveries import NOON, rows, write

HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status\n"
SCANS = (
    f"{HEAD}S1,V1,2025-03-01 08:00,10,engine,P0301,confirmed\n"
    "S1,V1,2025-03-01 08:00,10,engine,P03O1X,confirmed\n"
    "S2,V1,2025-03-02 08:00,-1,engine,P0420,confirmed\n"
)
MAP = """kind = "delimited"
files = ["depot_*.txt"]
delimiter = ";"
zone = "Europe/Berlin"
date_format = ["%d.%m.%Y %H:%M"]

[[table]]
into = "scans"

[table.columns]
plate = { from = "Car" }
scanned_at = { from = "When" }
ecu = { from = "Unit" }
code = { from = "Fault" }
visit_reason = { file_name = "depot_(\\\\w+)", optional = true }
"""
ORDERS = """kind = "delimited"
files = ["orders*.txt"]
delimiter = ";"
date_format = ["%d.%m.%Y"]

[[table]]
into = "repairs"

[table.columns]
repair_id = { from = "Order" }
vehicle_id = { from = "Car" }
repaired_at = { from = "Day" }
notes = { from = "Work" }
part_cost = { from = "Price" }
"""
VEHICLES = "vehicle_id,plate\nV1,NH 101\n"
Edit = Callable[[Sheets], None]


class _Here(Readers):
    """Reads in this process."""

    def identify(self, delivery: Delivery) -> Reader:
        return identify(delivery, self._readers)

    def container_kind(self, path: Path, name: str) -> str | None:  # noqa: ARG002 - none is
        return None


@dataclass
class Garage:
    """A garage's folder, its store, and what was taken from it."""

    app: App
    folder: Path
    said: RefusedBook | None = None

    def load(self, path: Path, zone: str = "UTC", vehicle: str | None = None) -> LoadResult:
        known = all_readers(load_maps(self.app.config.imports))
        arrival = Arrival("test", path, path.name, zone, vehicle)
        with open_store(self.app.store) as con, _Here(known) as readers:
            (result,) = load_file(con, self.app.archive, arrival, readers, lambda: NOON)
        return result

    def bring(self, name: str, text: str, zone: str = "UTC") -> LoadResult:
        return self.load(write(self.folder, name, text), zone)

    def take(self, name: str = "refused.xlsx") -> Path:
        self.said = refused_workbook(self.app)
        (self.folder / name).write_bytes(self.said.content)
        return self.folder / name

    def bring_back(self, edit: Edit, name: str = "refused.xlsx") -> LoadResult:
        sheets = sheets_of(self.take(name))
        edit(sheets)
        path = self.folder / f"mended_{name}"
        path.write_bytes(xlsx(sheets))
        return self.load(path)

    def map(self, name: str, text: str) -> None:
        self.app.config.imports.mkdir(parents=True, exist_ok=True)
        write(self.app.config.imports, f"{name}.toml", text)

    def refused(self) -> list[tuple[object, ...]]:
        with open_store(self.app.store) as con:
            assert not [f for f in check_rows(con) if f.n_breaches]
        return self.ask("SELECT load_id, line, column_name, value FROM rejections ORDER BY ALL")

    def ask(self, sql: str) -> list[tuple[object, ...]]:
        return rows(self.app.store, sql)


def sheets_of(path: Path) -> Sheets:
    sheets = read_sheets(path.read_bytes(), path.name)
    return {sheet.name: [list(cells) for _, cells in sheet.grid] for sheet in sheets}


def put(heading: str, was: str | None, cell: str) -> Edit:
    """Edit the cells under a heading."""

    def edit(sheets: Sheets) -> None:
        n_found = 0
        for name, (head, *body) in sheets.items():
            if name.startswith("refused") and heading in head:
                at = head.index(heading)
                for row in body:
                    if row[at] == was:
                        row[at], n_found = cell, n_found + 1
        assert n_found

    return edit


def unmended(_: Sheets) -> None:
    """Bring it back as it is."""


@pytest.fixture
def garage(tmp_path: Path) -> Garage:
    (tmp_path / "config").mkdir()
    app = app_at(Config(tmp_path / "config"), tmp_path / "store.duckdb")
    return Garage(app, tmp_path)


def counts(result: LoadResult) -> tuple[int, int, int]:
    return result.rows_stored, result.rows_duplicate, result.rows_rejected


# --- mended -----------------------------------------------------------------------------------


def test_a_mended_row_is_stored_and_its_refusal_goes(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    result = garage.bring_back(put("code", "P03O1X", "P0302"))
    assert (counts(result), result.reader) == ((1, 0, 1), "returned_rows")
    assert "rows refused before that came mended: 1" in result.note
    assert garage.refused() == [(2, 2, "odometer_km", "-1")]  # once, under the file it came in
    found = garage.ask("SELECT code FROM scans WHERE scan_id = 'S1' ORDER BY code")
    assert found == [("P0301",), ("P0302",)]  # the scan keeps what did not come back


def test_what_is_wrong_still_can_be_taken_and_mended_again(garage: Garage) -> None:
    garage.map("depot", MAP)
    garage.bring("list.csv", VEHICLES)
    garage.bring("depot_intake.txt", "Car;When;Unit;Fault\nNH 101;01.07.2025 09:00h;engine;P0301\n")
    assert counts(garage.bring_back(put("When", "01.07.2025 09:00h", "1 July"))) == (0, 0, 1)
    assert counts(garage.bring_back(put("When", "1 July", "01.07.2025 09:00"), "b.xlsx"))[0] == 1
    assert garage.refused() == []
    # by the map: its zone, its way to write times, and what only the file's name said
    found = garage.ask("SELECT vehicle_id, scanned_at::VARCHAR, visit_reason FROM scans")
    assert found == [("V1", "2025-07-01 07:00:00", "intake")]


def as_csv(sheets: Sheets, mark: str = ";") -> bytes:
    """Give the first sheet as a program of sheets saves it."""
    file = io.StringIO()
    csv.writer(file, delimiter=mark).writerows(sheets["refused rows 1"])
    return b"\xef\xbb\xbf" + file.getvalue().encode()


@pytest.mark.parametrize(("name", "saved"), [("refused.ods", ods), ("refused.csv", as_csv)])
def test_it_comes_back_as_programs_of_sheets_save_it(
    garage: Garage, name: str, saved: Callable[[Sheets], bytes]
) -> None:
    garage.map("depot", MAP)
    garage.bring("list.csv", VEHICLES)
    garage.bring("depot_intake.txt", "Car;When;Unit;Fault\nNH 101;01.07.2025 09:00h;engine;P0301\n")
    sheets = sheets_of(garage.take())
    put("When", "01.07.2025 09:00h", "01.07.2025 09:00")(sheets)
    (garage.folder / name).write_bytes(saved(sheets))
    result = garage.load(garage.folder / name)
    assert (counts(result), result.reader) == ((1, 0, 0), "returned_rows")
    assert garage.refused() == []
    found = garage.ask("SELECT vehicle_id, scanned_at::VARCHAR, visit_reason FROM scans")
    assert found == [("V1", "2025-07-01 07:00:00", "intake")]


def test_a_sheet_in_the_letters_of_a_language_comes_back_in_them(garage: Garage) -> None:
    """Programs of sheets save CSV as Windows-1250 where Polish is spoken."""
    garage.bring("a.csv", SCANS)
    text = as_csv(sheets_of(garage.take())).decode("utf-8-sig").replace("P03O1X", "łożysko źle")
    path = garage.folder / "alone.csv"
    path.write_bytes(text.encode("cp1250"))
    garage.load(path)
    assert "łożysko źle" in str(garage.refused())


@pytest.mark.parametrize(
    ("was", "cell"), [("origin of the row", "mine"), ('["', '{"'), ("scans", "scan")]
)
def test_a_sheet_that_comes_alone_needs_its_last_column(
    garage: Garage, was: str, cell: str
) -> None:
    garage.bring("a.csv", SCANS)
    text = as_csv(sheets_of(garage.take()), ",").decode().replace(was, cell)
    result = garage.bring("alone.csv", text)
    assert (result.outcome, "origin of the row" in (result.note or "")) == ("refused", True)
    assert len(garage.refused()) == 2


@pytest.mark.slow
def test_times_keep_the_zone_their_file_was_loaded_with(garage: Garage) -> None:
    garage.bring("a.csv", SCANS, zone="America/New_York")
    garage.bring_back(put("odometer_km", "-1", "20"))
    found = garage.ask("SELECT scanned_at::VARCHAR FROM scans WHERE scan_id = 'S2'")
    assert found == [("2025-03-02 13:00:00",)]


@pytest.mark.slow
def test_rows_of_a_file_that_names_no_vehicle_come_back_as_its_vehicles(garage: Garage) -> None:
    garage.map("depot", MAP.replace('plate = { from = "Car" }\n', ""))
    text = "Car;When;Unit;Fault\nx;1 July;engine;P0301\n"
    garage.load(write(garage.folder, "depot_intake.txt", text), vehicle="V7")
    garage.bring_back(put("When", "1 July", "01.07.2025 09:00"))
    assert garage.ask("SELECT vehicle_id FROM scans") == [("V7",)]


# --- nothing doubled ----------------------------------------------------------------------------


@pytest.mark.slow
def test_a_row_that_was_mended_before_is_a_duplicate(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    old = garage.take("old.xlsx")
    garage.bring_back(put("code", "P03O1X", "P0302"))
    result = garage.load(old)  # as it was: one row mended since, one still wrong
    assert counts(result) == (0, 1, 1)
    assert len(garage.refused()) == 1
    assert garage.load(old).outcome == "known"


@pytest.mark.slow
def test_one_workbook_can_be_mended_row_by_row(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    sheets = sheets_of(garage.take())
    for nth, edit in enumerate([put("code", "P03O1X", "P0302"), put("odometer_km", "-1", "11")]):
        edit(sheets)
        path = garage.folder / f"{nth}.xlsx"
        path.write_bytes(xlsx(sheets))
        assert counts(garage.load(path)) == (1, nth, 1 - nth)
    assert garage.refused() == []


@pytest.mark.slow
def test_the_mended_file_itself_finds_its_rows_there(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    garage.bring_back(put("code", "P03O1X", "P0302"))
    result = garage.bring("b.csv", SCANS.replace("P03O1X", "P0302").replace("-1", "11"))
    assert counts(result) == (1, 2, 0)
    assert garage.refused() == []


@pytest.mark.slow
def test_a_line_of_an_order_that_is_stored_is_read_with_the_whole_order(garage: Garage) -> None:
    garage.map("orders", ORDERS)
    first = "Order;Car;Day;Work;Price\nA1;V1;03.03.2025;coil cylinder 1;80\n"
    garage.bring("orders.txt", f"{first}A1;V1;03.03.2025;coil cylinder 2;8O\n")
    garage.bring("orders2.txt", "Order;Car;Day;Work;Price\nA2;V1;04.03.2025;plugs;4O\n")
    result = garage.bring_back(put("Price", "8O", "80"))
    assert counts(result) == (0, 0, 2)
    expected = garage.ask("SELECT expected FROM rejections WHERE column_name = 'repair_id'")
    assert "lines of one order are read together" in str(expected)
    assert counts(garage.bring_back(put("Price", "4O", "40"), "b.xlsx")) == (1, 0, 1)


@pytest.mark.slow
def test_files_read_again_find_their_rows_mended(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    garage.bring_back(put("code", "P03O1X", "P0302"))
    before = garage.ask("SELECT * EXCLUDE (load_id) FROM scans ORDER BY ALL")
    replay(garage.app, [1], lambda _: None)
    assert garage.ask("SELECT * EXCLUDE (load_id) FROM scans ORDER BY ALL") == before
    assert [column for _, _, column, _ in garage.refused()] == ["odometer_km"]


@pytest.mark.slow
def test_a_workbook_taken_back_lists_its_rows_again(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    garage.bring_back(put("code", "P03O1X", "P0302"))
    retract(garage.app, [2], lambda _: None)
    assert [row[2:] for row in garage.refused()] == [("code", "P03O1X"), ("odometer_km", "-1")]
    assert garage.ask("SELECT count(*) FROM scans") == [(1,)]


@pytest.mark.slow
def test_rows_of_a_load_that_was_taken_back_are_not_known(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    book = garage.take()
    retract(garage.app, [1], lambda _: None)
    assert counts(garage.load(book)) == (0, 0, 2)
    assert "this one it does not know" in str(garage.ask("SELECT expected FROM rejections"))


@pytest.mark.slow
def test_a_forgotten_vehicle_does_not_come_back_in_a_workbook(garage: Garage) -> None:
    garage.bring(
        "a.csv", SCANS.replace("V1", "VAN-0001") + SCANS.splitlines()[3].replace("S2", "S3")
    )
    book = garage.take()
    forget(garage.app, "VAN-0001")
    assert counts(garage.load(book)) == (0, 0, 3)
    assert "VAN-0001" not in str(garage.ask("FROM rejections"))
    assert garage.ask("SELECT count(*) FROM rejections WHERE contains(expected, 'forgotten')") == [
        (2,)
    ]


# --- what a person does to a workbook -----------------------------------------------------------


@pytest.mark.slow
def test_rows_that_are_deleted_stay_refused(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    result = garage.bring_back(lambda sheets: sheets["refused rows 1"].pop())
    assert "rows that did not come back and stay refused: 1" in result.note
    assert [value for *_, value in garage.refused()] == ["-1", "P03O1X"]


@pytest.mark.slow
def test_rows_that_are_added_or_repeated_are_refused(garage: Garage) -> None:
    def edit(sheets: Sheets) -> None:
        body = sheets["refused rows 1"]
        sheets["refused rows 1"] += [list(body[1]), [None, None, "S9", *body[1][3:]]]

    garage.bring("a.csv", SCANS)
    assert counts(garage.bring_back(edit)) == (0, 0, 4)
    expected = str(garage.ask("SELECT expected FROM rejections WHERE line IS NULL"))
    assert "see row 4 of 'refused rows 1'" in expected
    assert "see row 5 of 'refused rows 1'" in expected


def without_column(heading: str) -> Edit:
    def edit(sheets: Sheets) -> None:
        body = sheets["refused rows 1"]
        at = body[0].index(heading)
        sheets["refused rows 1"] = [[*row[:at], *row[at + 1 :]] for row in body]

    return edit


def told(kind: str, text: str, at: int = 3) -> Edit:
    def edit(sheets: Sheets) -> None:
        row = next(row for row in sheets["origin of the rows"] if row[0] == kind)
        row[at] = text  # type: ignore[index]

    return edit


@pytest.mark.slow
@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda sheets: sheets.pop("origin of the rows"), "'origin of the rows' is gone"),
        (lambda sheets: sheets["origin of the rows"].clear(), "'origin of the rows' is empty"),
        (lambda s: s["origin of the rows"][1].pop(), "'origin of the rows' was changed"),
        (told("column", "[" * 30_000), "'origin of the rows' was changed"),
        (told("column", '"_line"'), "'origin of the rows' was changed"),
        (told("column", '"vehicle_id"'), "'origin of the rows' was changed"),
        (told("row", str(10**30), at=2), "'origin of the rows' was changed"),
        (without_column("ecu"), "has no column 'ecu' any more"),
        (without_column("refused row"), "no column 'refused row' any more"),
    ],
)
def test_what_is_gone_is_told(garage: Garage, edit: Edit, said: str) -> None:
    garage.bring("a.csv", SCANS)
    result = garage.bring_back(edit)
    assert result.outcome == "refused"
    assert said in result.note
    assert len(garage.refused()) == 2


@pytest.mark.slow
def test_no_cell_becomes_a_formula(garage: Garage) -> None:
    texts = ("=1+1", "+49 5", "-2", "@x")
    body = "".join(f'S{n},V1,never,1,engine,P0301,"{t}"\n' for n, t in enumerate(texts))
    garage.bring("a.csv", HEAD + body)
    with ZipFile(io.BytesIO(garage.take().read_bytes())) as book:
        page = book.read("xl/worksheets/sheet1.xml").decode()
        styles = book.read("xl/styles.xml").decode()
    assert "<f>" not in page
    assert 'quotePrefix="1"' in styles
    shown = sheets_of(garage.folder / "refused.xlsx")["refused rows 1"]
    assert [row[-2] for row in shown[1:]] == list(texts)


@pytest.mark.slow
def test_what_cannot_come_alone_is_counted_with_the_reason(garage: Garage) -> None:
    once = 'into = "repairs"\nonce_per_order = ["part_cost"]'
    garage.map("orders", ORDERS.replace('into = "repairs"', once))
    garage.bring("orders.txt", "Order;Car;Day;Work;Price\nA2;V1;04.03.2025;plugs;4O\n")
    with pytest.raises(UsageError, match="amounts belong to the whole order"):
        garage.take()
    garage.bring("a.csv", SCANS)
    garage.take()
    assert garage.said is not None
    assert (garage.said.n_rows, list(garage.said.left_out.values())) == (2, [1])
