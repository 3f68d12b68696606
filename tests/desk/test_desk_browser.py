"""The desk in a real browser: from an empty folder to a first digest, by mouse and by keyboard.

The files are three of the corpus of messy files; nothing of the desk needs a script, so the browser
runs none but axe-core, which is handed in to look at each page.
"""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, FloatRect, Locator, Page

from afterclear.commands.init_and_demo import init
from afterclear.store.engine.database import open_store, scalar
from afterclear.store.upkeep.checks import check_rows
from tests.in_chromium import RULES, chromium
from tests.readers.messy.corpus import all_files
from tests.readers.messy.files import VEHICLES, Messy

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.xdist_group("browser")]

MESSY = ("two_dates.csv", "groupes.csv", "bare_codes.csv")
PATIENCE_MS = 180_000  # the machine may be busy with other tests
# AFTERCLEAR_PICTURES=src/afterclear/help makes the pictures of the help page anew
PICTURES = os.environ.get("AFTERCLEAR_PICTURES")
PICTURED, MOST_BYTES = 1280, 60_000
_TOO_WIDE = """[...document.querySelectorAll("body *")]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth)
    .map(e => e.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


def opened(within: Browser | BrowserContext, **how: Any) -> Page:
    """Open a page that is patient with a busy machine."""
    page = within.new_page(**how)
    page.set_default_timeout(PATIENCE_MS)
    return page


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
    assert desk.wait(30) == 0
    desk.stdout.close()
    assert not list((tmp_path / "garage").glob("*.desk"))  # nothing is left lying about


def picture(page: Page, name: str) -> None:
    """Keep a picture for the help page, small enough to carry, if somebody asks for pictures."""
    if PICTURES is None or (page.viewport_size or {}).get("width") != PICTURED:
        return
    page.evaluate("window.scrollTo(0, 0)")
    path = Path(PICTURES) / f"desk_{name}.jpg"
    upper: FloatRect = {"x": 0, "y": 0, "width": PICTURED, "height": 500}
    page.screenshot(path=path, type="jpeg", quality=30, clip=upper)
    assert path.stat().st_size < MOST_BYTES


@dataclass
class Hand:
    """A person at the page; ``presses``: with the keyboard only."""

    page: Page
    presses: bool
    width: int
    folder: Path  # where the person's files are
    has_script: bool = True

    def go(self, words: str) -> None:
        with self.page.expect_navigation(wait_until="commit", timeout=PATIENCE_MS):
            self.act(self.page.get_by_role("link", name=words, exact=True).first)

    def push(self, words: str) -> None:
        with self.page.expect_navigation(wait_until="commit", timeout=PATIENCE_MS):
            self.act(self.page.get_by_role("button", name=words).first)

    def act(self, there: Locator) -> None:
        """Reach a thing and use it: with the mouse, or by stepping to it and pressing a key."""
        if not self.presses:
            there.click()
            return
        there.wait_for()
        wanted = there.evaluate_handle("node => node")
        self.page.evaluate("document.activeElement.blur()")
        for _ in range(400):
            self.page.keyboard.press("Tab")
            if self.page.evaluate("node => node === document.activeElement", wanted):
                break
        else:
            pytest.fail(f"the keyboard does not come to {there}")
        kind = there.get_attribute("type")
        self.page.keyboard.press("Space" if kind in {"radio", "checkbox"} else "Enter")

    def choose(self, radio: Locator) -> None:
        """Choose one of a group; the keyboard walks through a group with arrows."""
        if not self.presses:
            radio.check()
            return
        radio.wait_for()
        self.page.evaluate("document.activeElement.blur()")
        name, value = radio.get_attribute("name"), radio.get_attribute("value")
        for _ in range(400):
            self.page.keyboard.press("Tab")
            if self.page.evaluate("document.activeElement.name") == name:
                break
        for _ in range(20):
            self.page.keyboard.press("Space")
            if self.page.evaluate("document.activeElement.value") == value:
                return
            self.page.keyboard.press("ArrowDown")
        pytest.fail(f"the keyboard does not come to {value}")

    def look(self) -> None:
        """No page is wider than the screen, and axe finds nothing."""
        self.page.wait_for_load_state("load")  # the style sheet is there
        if not self.has_script:
            self._look_elsewhere()
            return
        over = self.page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        wide = over > 0 and self.page.evaluate(_TOO_WIDE)
        assert over <= 0, (self.page.url, self.width, wide)
        folded = self.page.locator("details:not([open])").element_handles()
        for each in folded:
            each.evaluate("node => { node.open = true }")
        found = Axe().run(self.page, options=RULES).response["violations"]
        for each in folded:
            each.evaluate("node => { node.open = false }")
        told = [f"{rule['id']}: {node['html'][:200]}" for rule in found for node in rule["nodes"]]
        assert told == [], self.page.url

    def _look_elsewhere(self) -> None:
        """Look at a page whose browser runs no script, not even axe: in another, as it is."""
        assert self.page.context.browser is not None
        html = self.page.content()
        beside = self.page.context.browser.new_context(viewport=self.page.viewport_size)
        page = beside.new_page()
        page.route("**/desk.js", lambda route: route.abort())
        page.route(self.page.url, lambda route: route.fulfill(body=html, content_type="text/html"))
        page.goto(self.page.url)
        Hand(page, presses=False, width=self.width, folder=self.folder).look()
        beside.close()

    def until_done(self) -> None:
        self.page.get_by_text("Done.", exact=True).wait_for(timeout=PATIENCE_MS)
        self.look()

    def write(self, field: Locator, text: str) -> None:
        """Type into a field, in the place of what stands there."""
        self.act(field)
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def drop(self, field: str, path: Path) -> None:
        """Drag a file or folder from elsewhere on the machine and drop it on a field."""
        where = self.page.locator(field)
        where.scroll_into_view_if_needed()
        box = where.bounding_box()
        assert box is not None
        at = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
        dragged = {"items": [], "files": [str(path)], "dragOperationsMask": 1}
        browser = self.page.context.new_cdp_session(self.page)
        for kind in ("dragEnter", "dragOver", "drop"):
            browser.send("Input.dispatchDragEvent", {"type": kind, "data": dragged, **at})

    def bring(self, name: str, raw: bytes) -> None:
        """Bring a file: dropped with the mouse, or chosen in the dialogue the keyboard opens."""
        self.folder.mkdir(exist_ok=True)
        (self.folder / name).write_bytes(raw)
        self.go("Bring files")
        self.look()
        if self.presses:
            with self.page.expect_file_chooser() as asked:
                self.act(self.page.locator("#files"))
            asked.value.set_files(self.folder / name)
        else:
            self.drop("#files", self.folder / name)
        self.push("Bring")
        # a large one is looked at beside the pages first
        self.page.locator("#ready").wait_for(state="attached", timeout=PATIENCE_MS)
        self.look()

    def answer(self, file: Messy) -> None:
        """Answer each question as a person would who knows the file."""
        while (ask := self.page.get_by_role("button", name="Answer")).count():
            groups = self.page.locator("fieldset")
            for n in range(groups.count()):
                key = str(groups.nth(n).locator("input").first.get_attribute("name"))
                word = file.answers[key.removeprefix("answer:")]
                self.choose(groups.nth(n).locator(f'input[value="{word}"]'))
            before = self.page.url
            self.act(ask)
            self.page.wait_for_url(lambda url, before=before: url != before)
            self.look()


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
    for words in ("What was loaded", "Settings", "Who did what", "Today"):
        hand.go(words)
        hand.look()
    page.get_by_role("searchbox").fill("V-02")
    hand.push("Find")
    page.get_by_role("heading", name="V-02", exact=True).wait_for()
    hand.look()
    hand.go("Forget this vehicle")
    hand.look()
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
