"""A person at a page of the desk, with the mouse or with the keyboard only; and how pages look."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, FloatRect, Locator, Page
from pypdfium2 import PdfDocument

from tests.in_chromium import RULES
from tests.readers.messy.files import Messy

PATIENCE_MS = 600_000  # the machine may be busy with other tests
# AFTERCLEAR_PICTURES=src/afterclear/help makes the pictures of the help page anew
PICTURES = os.environ.get("AFTERCLEAR_PICTURES")
PICTURED, MOST_BYTES = 1280, 60_000
_TOO_WIDE = """[...document.querySelectorAll("body *")]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth)
    .map(e => e.outerHTML.slice(0, 120))"""


def opened(within: Browser | BrowserContext, **how: Any) -> Page:
    """Open a page that is patient with a busy machine."""
    page = within.new_page(**how)
    page.set_default_timeout(PATIENCE_MS)
    return page


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

    def print_sheet(self) -> None:
        """Go from a line to its vehicle's sheet for the workshop, print it, and come back."""
        self.act(self.page.get_by_role("link", name="Sheet to print").first)
        self.page.wait_for_url("**/pages/sheets/*")
        self.look()
        sheet = PdfDocument(self.page.pdf(prefer_css_page_size=True))
        assert len(sheet) == 1
        assert tuple(map(round, sheet[0].get_size())) == (595, 842), "A4, in points"
        assert self.page.inner_text("h1").split()[0] in sheet[0].get_textpage().get_text_range()
        self.page.go_back()
        self.page.get_by_role("checkbox").first.wait_for()

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
