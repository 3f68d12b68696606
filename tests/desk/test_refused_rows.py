"""Refused rows at the desk: taken as a workbook, mended, brought back."""

from pathlib import Path

import pytest

from afterclear.commands.trail import trail
from afterclear.readers.formats.workbook import read_sheets
from tests.desk.test_desk import SCANS, Browser, garage
from tests.readers.workbooks import xlsx

WRONG = "S9,V1,2025-03-01T08:00:00Z,1500,engine,=P03O1,confirmed\n"


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    return Browser(garage(tmp_path)).enter()


@pytest.mark.slow
def test_a_workbook_of_refused_rows_goes_out_and_comes_back(browser: Browser) -> None:
    browser.post("/bring", files={"files": ("scans.csv", (SCANS + WRONG).encode())})
    browser.post(f"/bring/{browser.uploads.waiting()[-1].number}/load")
    assert "Take the workbook" in browser.get("/refused")
    form = {"form_token": browser.token()}
    answer = browser.client.post(
        "/refused/workbook", data=form, headers={"Origin": "http://127.0.0.1:8765"}
    )
    assert answer.headers["content-disposition"] == 'attachment; filename="refused_rows.xlsx"'
    sheets = {
        sheet.name: [list(cells) for _, cells in sheet.grid]
        for sheet in read_sheets(answer.content, "refused_rows.xlsx")
    }
    head, row = sheets["refused rows 1"]
    row[head.index("code")] = "P0301"
    number = browser.bring("refused_rows.xlsx", xlsx(sheets))
    assert "P0301" in browser.get(f"/bring/{number}")  # it is shown before it is loaded
    browser.post(f"/bring/{number}/load")
    assert browser.uploads.waiting() == []
    assert "Nothing is refused" in browser.get("/refused")
    told = [(entry.did, entry.about) for entry in trail(browser.desk.app, 9)]
    assert ("took refused rows as a workbook", "1 row") in told


@pytest.mark.slow
def test_no_workbook_is_given_where_nothing_is_refused(browser: Browser) -> None:
    browser.load("scans.csv", SCANS)
    status, page = browser.ask("/refused/workbook")
    assert (status, "No row is refused" in page) == (400, True)


@pytest.mark.slow
def test_a_vehicle_that_no_list_has_is_named_where_its_rows_are_refused(browser: Browser) -> None:
    browser.load("list.csv", "vehicle_id,plate\nVAN-01,NH 101\n")
    browser.post("/bring", files={"files": ("scans.csv", SCANS.replace("V1", "VAN 1").encode())})
    browser.post(f"/bring/{browser.uploads.waiting()[-1].number}/load")
    assert "Add VAN 1 to the vehicles" in browser.get("/refused")
    status, page = browser.ask(
        "/refused/vehicle", name="NH 7", plate="yes", vehicle="", whose="now"
    )
    assert (status, "Say which vehicle it is" in page) == (400, True)
    status, page = browser.ask("/refused/meant", name="VAN 1", meant="VAN-9")
    assert (status, "No vehicle list has the vehicle" in page) == (400, True)
    browser.post("/refused/vehicle", name="VAN 1")
    assert browser.uploads.waiting() == []
    assert "Nothing is refused" in browser.get("/refused")
    told = [(entry.did, entry.about, entry.vehicles) for entry in trail(browser.desk.app, 9)]
    assert ("named a vehicle", "VAN 1", ["VAN 1"]) in [(d, a, [*v]) for d, a, v in told]


@pytest.mark.slow
def test_rows_of_a_wrongly_written_number_are_loaded_under_the_one_that_is_meant(
    browser: Browser,
) -> None:
    browser.load("list.csv", "vehicle_id,plate\nVAN-01,NH 101\n")
    browser.post("/bring", files={"files": ("scans.csv", SCANS.replace("V1", "VAN 1").encode())})
    browser.post(f"/bring/{browser.uploads.waiting()[-1].number}/load")
    assert "VAN 1 is written wrongly" in browser.get("/refused")
    assert "VAN 1 is written wrongly" in browser.get("/refused?after=100")  # there are fewer
    browser.post("/refused/meant", name="VAN 1", meant=" VAN-01 ")
    assert browser.uploads.waiting() == []
    assert "Nothing is refused" in browser.get("/refused")
    told = [(entry.did, entry.about) for entry in trail(browser.desk.app, 9)]
    assert ("said what a wrongly written name means", "VAN 1: VAN-01") in told
