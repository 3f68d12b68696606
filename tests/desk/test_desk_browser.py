"""The desk in a real browser: from an empty folder to a first digest, by mouse and by keyboard.

The files are three of the corpus of messy files; nothing of the desk needs a script, so the browser
runs none but axe-core, which is handed in to look at each page.
"""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser

from afterclear.commands.init_and_demo import init
from afterclear.store.engine.database import open_store, scalar
from afterclear.store.upkeep.checks import check_rows
from tests.desk.hand import PATIENCE_MS, Hand, opened, picture
from tests.in_chromium import chromium
from tests.readers.messy.corpus import all_files
from tests.readers.messy.files import VEHICLES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

MESSY = ("two_dates.csv", "groupes.csv", "bare_codes.csv")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """Start a desk in an empty garage; give the address it prints."""
    init(tmp_path / "garage")
    command = [sys.executable, "-u", "-m", "afterclear", "desk", "--no-browser"]
    desk = subprocess.Popen(
        command, cwd=tmp_path / "garage", stdout=subprocess.PIPE, text=True, encoding="utf-8"
    )
    assert desk.stdout is not None
    found = re.search(r"http://\S+", desk.stdout.readline())
    assert found is not None
    yield found[0]
    desk.terminate()
    assert desk.wait(300) == 0
    desk.stdout.close()
    assert not list((tmp_path / "garage").glob("*.desk"))  # nothing is left lying about


def vehicles() -> bytes:
    lines = ["vehicle_id,vin,plate", *(",".join(row) for row in VEHICLES)]
    return ("\n".join(lines) + "\n").encode()


@pytest.mark.parametrize("width", [1280, 375])
@pytest.mark.parametrize("by", ["mouse", "keyboard"])
def test_three_messy_files_come_to_a_digest_and_a_decision(
    browser: Browser, address: str, width: int, by: str, tmp_path: Path
) -> None:
    page = opened(browser, viewport={"width": width, "height": 800})
    asked: list[Any] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, by == "keyboard", width, tmp_path / "mine")
    hand.look()

    hand.bring("vehicles.csv", vehicles())
    hand.push("Load")
    hand.until_done()
    by_name = {file.name: file for file in all_files()}
    for name in MESSY:
        hand.bring(name, by_name[name].raw)
        if name == MESSY[0] and by == "mouse":
            picture(page, "questions")
        hand.answer(by_name[name])
        hand.push("Load")
        hand.until_done()
    hand.push("Judge every fix")
    hand.until_done()

    hand.go("To decide")
    hand.look()
    page.get_by_role("checkbox").first.wait_for()
    hand.print_sheet()
    hand.act(page.get_by_role("checkbox").first)
    hand.choose(page.locator('input[value="accept"]'))
    if by == "mouse":
        picture(page, "decide")
    hand.write(page.get_by_label("Your name").first, "Mara")
    hand.push("Keep this decision")
    page.get_by_role("heading", name="Decided").wait_for()
    hand.look()
    hand.act(page.locator("summary", has_text="Take back").first)
    hand.push("Take back decision 1")
    page.get_by_role("heading", name="Decided").wait_for(state="detached")
    hand.look()
    for words in ("What was loaded", "Refused rows", "Today"):
        hand.go(words)
        hand.look()
    if by == "mouse":
        picture(page, "today")
    hand.go("Fleet")
    page.wait_for_url("**/pages/fleet.html")
    assert {url.split("/")[2] for url in asked} == {address.split("/")[2]}  # nobody else is asked
    page.close()


def mend_refused(hand: Hand) -> None:
    """Take refused rows as a workbook, and say which vehicle a wrong name means."""
    page = hand.page
    hand.go("Refused rows")
    hand.look()
    with page.expect_download() as got:
        page.get_by_role("button", name="Take the workbook").click()
    assert got.value.suggested_filename == "refused_rows.xlsx"
    page.get_by_text("V 02 is written wrongly").click()
    page.get_by_label("The vehicle's number that is meant").fill("V-02")
    hand.push("This is meant")
    hand.until_done()
    hand.go("Refused rows")
    assert page.get_by_text("is written wrongly").count() == 0
    assert page.get_by_text("yesterday").count() > 0


def forget(hand: Hand, name: str) -> None:
    """Find a vehicle and forget it: its page is there no more."""
    page = hand.page
    hand.go("Today")
    hand.look()
    page.get_by_role("searchbox").fill(name)
    hand.push("Find")
    page.get_by_role("link", name="Forget this vehicle").wait_for()
    hand.look()
    hand.go("Forget this vehicle")
    hand.look()
    page.get_by_label(f"Erase vehicle {name} for good").check()
    hand.push("Forget this vehicle")
    hand.until_done()
    hand.go("Today")
    page.get_by_role("searchbox").fill(name)
    hand.push("Find")
    hand.look()
    assert page.get_by_role("link", name="Forget this vehicle").count() == 0
    assert page.get_by_text("No row in the store speaks of a vehicle").count() == 1


@pytest.mark.parametrize("width", [1280, 375])
def test_all_of_it_works_without_scripts(
    browser: Browser, address: str, width: int, tmp_path: Path
) -> None:
    """From files to a decision, a refused row mended, a load taken back, a vehicle forgotten."""
    context = browser.new_context(
        java_script_enabled=False, viewport={"width": width, "height": 800}
    )
    page = opened(context)
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, presses=False, width=width, folder=tmp_path / "mine", has_script=False)
    scans = (
        b"scan_id,vehicle_id,scanned_at,ecu,code,status\n"
        b"S1,V-02,2025-03-01T08:00:00Z,engine,P0301,confirmed\n"
        b"S2,V 02,2025-03-02T08:00:00Z,engine,P0302,confirmed\n"
        b"S3,V-02,yesterday,engine,P0303,confirmed\n"
    )
    for name, raw in (("vehicles.csv", vehicles()), ("scans.csv", scans)):
        hand.bring(name, raw)
        hand.push("Load")
        hand.until_done()
    by_name = {file.name: file for file in all_files()}
    hand.bring(MESSY[0], by_name[MESSY[0]].raw)
    hand.answer(by_name[MESSY[0]])
    hand.push("Load")
    hand.until_done()

    mend_refused(hand)
    hand.go("Today")
    hand.push("Judge every fix")
    hand.until_done()
    hand.go("To decide")
    page.get_by_role("checkbox").first.check()
    page.locator('input[value="accept"]').check()
    page.get_by_label("Your name").first.fill("Mara")
    hand.push("Keep this decision")
    page.get_by_role("heading", name="Decided").wait_for()
    hand.look()
    for words in ("What was loaded", "Settings", "Who did what"):
        hand.go(words)
        hand.look()
    forget(hand, "V-02")
    hand.go("What was loaded")
    page.locator("summary", has_text="Take back: Load 1").click()
    hand.push("Yes, take back load 1")
    hand.until_done()
    context.close()


def test_a_load_that_is_cancelled_leaves_nothing_half_loaded_and_says_so(
    browser: Browser, address: str, tmp_path: Path
) -> None:
    rows = "".join(
        f"X{n},Z{n % 97},2025-03-{1 + n % 28:02d}T08:00:00Z,engine,P0301\n" for n in range(150_000)
    )
    many = f"scan_id,vehicle_id,scanned_at,ecu,code\n{rows}".encode()
    page = opened(browser, viewport={"width": 375, "height": 800})
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, presses=False, width=375, folder=tmp_path / "mine")
    hand.bring("vehicles.csv", vehicles())
    hand.push("Load")
    hand.until_done()
    hand.bring("many.csv", many)
    hand.push("Load")
    hand.look()  # at work
    page.get_by_text("Cancel: leave undone what is under way").click()
    page.get_by_text("Cancelled: it did not finish.").wait_for(timeout=PATIENCE_MS)
    hand.look()
    with open_store(tmp_path / "garage" / "afterclear.duckdb", read_only=True) as con:
        assert scalar(con, "SELECT count(*) FROM scans") == 0
        assert not [found for found in check_rows(con) if found.n_breaches]
    hand.go("Not loaded yet: 1 file")  # it waits, and can be loaded again
    page.get_by_text("many.csv").first.wait_for()
    page.close()


@pytest.mark.parametrize(("width", "by"), [(1280, "mouse"), (375, "keyboard")])
def test_refused_rows_are_taken_and_their_vehicle_is_named(
    browser: Browser, address: str, width: int, by: str, tmp_path: Path
) -> None:
    page = opened(browser, viewport={"width": width, "height": 800})
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, by == "keyboard", width, tmp_path / "mine")
    scan = b"scan_id,vehicle_id,scanned_at,ecu,code\nS1,VAN 1,2025-03-01T08:00:00Z,engine,P0301\n"
    for name, raw in (("list.csv", b"vehicle_id,plate\nVAN-01,NH 101\n"), ("scans.csv", scan)):
        hand.bring(name, raw)
        hand.push("Load")
        hand.until_done()
    hand.go("Refused rows")
    hand.look()
    with page.expect_download() as got:
        hand.act(page.get_by_role("button", name="Take the workbook"))
    assert got.value.suggested_filename == "refused_rows.xlsx"
    hand.push("Add VAN 1 to the vehicles")
    hand.until_done()
    hand.go("Refused rows")
    page.get_by_text("Nothing is refused").wait_for()
    page.close()


def test_a_folder_is_dropped_and_all_that_people_put_there_is_brought(
    browser: Browser, address: str, tmp_path: Path
) -> None:
    folder = tmp_path / "from the yard"
    (folder / "May").mkdir(parents=True)
    (folder / "vehicles.csv").write_bytes(vehicles())
    (folder / "May" / "scans.csv").write_bytes(b"scan_id,vehicle_id,scanned_at,ecu,code\n")
    (folder / ".hidden").write_bytes(b"x")
    page = opened(browser, viewport={"width": 1280, "height": 800})
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, presses=False, width=1280, folder=tmp_path)
    hand.go("Bring files")
    hand.drop("#folder", folder)
    hand.push("Bring")
    page.get_by_role("heading", name="Not loaded yet: 2\u00a0files").wait_for()
    assert page.get_by_role("link", name="vehicles.csv").count() == 1
    assert page.get_by_role("link", name="scans.csv").count() == 1
    hand.look()
    page.close()


@pytest.mark.parametrize("by", ["mouse", "keyboard"])
def test_a_column_is_picked_from_a_list_and_its_ten_rows_change_at_once(
    browser: Browser, address: str, by: str, tmp_path: Path
) -> None:
    rows = "".join(f"W{n},V-{n},2025-03-0{n},2025-03-1{n},{n}000,new coil\n" for n in range(1, 10))
    page = opened(browser, viewport={"width": 1280, "height": 800})
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    hand = Hand(page, by == "keyboard", 1280, tmp_path / "mine")
    hand.bring("orders.csv", f"order,unit no,in,out,odo km,what was done\n{rows}".encode())
    arrived = page.locator("td", has_text="2025-03-01").first
    arrived.wait_for()
    picked = page.get_by_label("what was done is taken as")
    if by == "mouse":
        picked.select_option("aside")
    else:
        hand.act(picked)  # it opens; letters and arrows choose
        page.keyboard.press("Escape")
        picked.press("End")
    page.get_by_text("It cannot be loaded as it is").first.wait_for()
    assert "aside" in page.url  # it was asked without a button
    hand.look()
    page.close()


def test_a_large_file_is_waited_for_with_and_without_a_script(
    browser: Browser, address: str, tmp_path: Path
) -> None:
    rows = "".join(f"X{n},V{n % 9},2025-03-01T08:00:00Z,engine,P0301\n" for n in range(9000))
    page = opened(browser, viewport={"width": 375, "height": 800})
    page.goto(address)
    page.get_by_role("heading", name="Today").wait_for()
    state = page.context.storage_state()
    hand = Hand(page, presses=False, width=375, folder=tmp_path / "mine")
    hand.bring("large.csv", f"scan_id,vehicle_id,scanned_at,ecu,code\n{rows}".encode())
    page.get_by_text("It is read as it is").wait_for(timeout=PATIENCE_MS)
    hand.look()
    bare = browser.new_context(java_script_enabled=False, storage_state=state)
    plain = opened(bare)
    plain.goto(page.url.partition("?")[0] + "?zone=Europe/Berlin")
    plain.get_by_text("It is being looked at").wait_for()
    plain.get_by_text("It is read as it is").wait_for(timeout=PATIENCE_MS)
    bare.close()
    page.close()
