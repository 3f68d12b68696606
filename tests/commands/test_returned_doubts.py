"""Refused rows that come back: nothing refused once is stored unseen, lost, or taken for another.

The garage and the ways to edit a workbook are those of ``test_returned_rows.py``.
"""

import io
import struct
from pathlib import Path
from zipfile import ZipFile

import pytest
import xlsxwriter

from afterclear.commands.intake.replaying import replay
from afterclear.commands.intake.retracting import Otherwise, reassign, retract
from afterclear.errors import UsageError
from afterclear.readers.mapped.returned_reader import ReturnedRowsReader
from afterclear.records import Delivery
from tests.commands.test_returned_rows import (
    MAP,
    ORDERS,
    SCANS,
    VEHICLES,
    Garage,
    counts,
    garage,
    put,
    sheets_of,
    unmended,
)
from tests.readers.workbooks import Sheets

__all__ = ["garage"]


@pytest.mark.slow
def test_of_a_row_that_became_two_the_one_left_out_stays_refused(garage: Garage) -> None:
    parted = 'code = { from = "Fault", each = "," }\nstatus = { from = "State", each = "," }'
    garage.map("depot", MAP.replace('code = { from = "Fault" }', parted))
    garage.bring("list.csv", VEHICLES)
    text = "Car;When;Unit;Fault;State\nNH 101;1 July;engine;P0301,P0302;confirmed\n"
    garage.bring("depot_intake.txt", text)
    assert counts(garage.bring_back(put("State", "confirmed", "confirmed,pending"))) == (0, 0, 2)

    def edit(sheets: Sheets) -> None:
        sheets["refused rows 1"].pop()
        put("When", "1 July", "01.07.2025 09:00")(sheets)

    assert counts(garage.bring_back(edit, "b.xlsx")) == (1, 0, 0)
    assert [value for *_, value in garage.refused()] == ["1 July"]


@pytest.mark.slow
def test_rows_of_a_load_read_again_and_then_taken_back_are_no_duplicates(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    book = garage.take()
    replay(garage.app, [1], lambda _: None)
    retract(garage.app, [2], lambda _: None)
    assert counts(garage.load(book)) == (0, 0, 2)


@pytest.mark.slow
def test_rows_that_their_file_refuses_otherwise_by_now_are_no_duplicates(garage: Garage) -> None:
    garage.map("depot", MAP)
    garage.bring("list.csv", VEHICLES)
    garage.bring("depot_intake.txt", "Car;When;Unit;Fault\nNH 101;1 July;engine;P0301\n")
    book = garage.take()
    garage.map("depot", f'{MAP}description = {{ file_name = "(depot)", optional = true }}\n')
    replay(garage.app, [2], lambda _: None)
    assert counts(garage.load(book)) == (0, 0, 1)
    assert counts(garage.bring_back(put("When", "1 July", "01.07.2025 09:00"), "b.xlsx"))[0] == 1


@pytest.mark.slow
def test_a_row_that_is_not_known_does_not_come_in_by_a_second_workbook(garage: Garage) -> None:
    garage.bring("a.csv", SCANS, zone="America/New_York")
    book = garage.take()
    retract(garage.app, [1], lambda _: None)
    garage.load(book)
    with pytest.raises(UsageError, match="no refused rows of this store"):
        garage.take()  # in another zone than its file's, and so five hours off


@pytest.mark.slow
def test_a_vin_that_contradicts_the_number_still_does_when_it_comes_back(garage: Garage) -> None:
    both = 'vehicle_id = { from = "Car" }\nvin = { from = "VIN" }'
    garage.map("depot", MAP.replace('plate = { from = "Car" }', both))
    garage.bring("list.csv", "vehicle_id,vin\nV1,1M8GDM9AXKP042788\nV2,1M8GDM9A1KP042789\n")
    text = "Car;VIN;When;Unit;Fault\nV1;1M8GDM9A1KP042789;01.07.2025 09:00;engine;P0301\n"
    garage.bring("depot_intake.txt", text)
    assert counts(garage.bring_back(unmended)) == (0, 0, 1)
    assert counts(garage.bring_back(put("vehicle_id", "V1", "V2"), "b.xlsx")) == (1, 0, 0)
    assert garage.ask("SELECT vehicle_id FROM scans") == [("V2",)]


@pytest.mark.slow
def test_numbers_have_the_mark_of_their_own_sheets_map(garage: Garage) -> None:
    garage.map("depot", MAP.replace('delimiter = ";"', 'delimiter = ";"\ndecimal = ","'))
    garage.bring("depot_intake.txt", "Car;When;Unit;Fault\nNH 101;1 July;engine;P0301\n")
    garage.bring("a.csv", SCANS)

    def edit(sheets: Sheets) -> None:
        head, *body = sheets["refused rows 2"]
        row = next(row for row in body if row[head.index("odometer_km")] == "-1")
        row[head.index("odometer_km")] = 20.5  # type: ignore[index]

    garage.bring_back(edit)
    assert garage.ask("SELECT odometer_km FROM scans WHERE scan_id = 'S2'") == [(20.5,)]


@pytest.mark.slow
def test_an_amount_of_a_whole_order_does_not_count_for_each_row_that_comes_back(
    garage: Garage,
) -> None:
    once = 'into = "repairs"\nonce_per_order = ["part_cost"]'
    garage.map("orders", ORDERS.replace('into = "repairs"', once))
    garage.bring("list.csv", "vehicle_id,plate\nVAN-01,NH 101\n")
    lines = "".join(f"A1;VAN 1;03.03.2025;{work};80\n" for work in ("coil", "plugs"))
    garage.bring("orders.txt", f"Order;Car;Day;Work;Price\n{lines}")
    assert len(garage.refused()) == 2
    with pytest.raises(UsageError, match="amounts belong to the whole order"):
        garage.take()


@pytest.mark.slow
def test_an_order_of_an_unknown_plate_comes_back_with_its_own_columns_alone(garage: Garage) -> None:
    apart = 'into = "repairs"\nplaces_apart = "each"'
    by_plate = ORDERS.replace('into = "repairs"', apart).replace("vehicle_id =", "plate =")
    garage.map("orders", by_plate)
    garage.bring("list.csv", VEHICLES)
    garage.bring("orders.txt", "Order;Car;Day;Work;Price\nA1;NH 1O1;03.03.2025;coil;80\n")
    assert counts(garage.bring_back(put("_plate", "NH 1O1", "NH 101"))) == (1, 0, 0)
    assert garage.ask("SELECT vehicle_id, part_cost, extras FROM repairs") == [("V1", 80.0, None)]


@pytest.mark.slow
def test_a_mended_row_does_not_stay_in_the_zone_its_file_had_before(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    garage.bring_back(put("code", "P03O1X", "P0302"))
    reassign(garage.app, 1, Otherwise(zone="America/New_York"), lambda _: None)
    times = garage.ask("SELECT DISTINCT scanned_at::VARCHAR FROM scans WHERE scan_id = 'S1'")
    assert times == [("2025-03-01 13:00:00",)]
    assert "P03O1X" in [value for *_, value in garage.refused()]


@pytest.mark.slow
def test_a_row_that_is_struck_out_stays_refused(garage: Garage) -> None:
    garage.bring("a.csv", SCANS)
    sheets = sheets_of(garage.take())
    put("code", "P03O1X", "P0302")(sheets)
    path = garage.folder / "struck.xlsx"
    with xlsxwriter.Workbook(path) as book:
        line = book.add_format({"font_strikeout": True})
        for name, body in sheets.items():
            page = book.add_worksheet(name)
            for n, row in enumerate(body):
                page.write_row(n, 0, row, line if "P0302" in row else None)
    assert counts(garage.load(path)) == (0, 0, 1)
    assert "P03O1X" in [value for *_, value in garage.refused()]


def test_a_workbook_cut_short_is_none_of_refused_rows(tmp_path: Path) -> None:
    file = io.BytesIO()
    with ZipFile(file, "w") as packed:
        packed.writestr("[Content_Types].xml", "<x/>")
        packed.writestr("xl/workbook.xml", '<sheet name="refused rows 1"/>')
    raw = bytearray(file.getvalue())
    # its last part claims to be longer than the file (PKWARE APPNOTE 4.3.12)
    struct.pack_into("<II", raw, raw.rfind(b"PK\x01\x02") + 20, 100_000, 100_000)
    path = tmp_path / "short.xlsx"
    path.write_bytes(raw)
    assert not ReturnedRowsReader([]).identify(Delivery("test", path.name, path, "0", "UTC"))
