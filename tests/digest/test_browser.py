"""Pages in a real browser: accessibility, narrow screens, zoom, keyboard, paper."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page
from pypdfium2 import PdfDocument

from afterclear.commands.pages.page_workers import rendered
from afterclear.digest import build_digests
from afterclear.digest.input.frames import DigestSettings
from afterclear.digest.output.render import render_overviews, render_quality_sheet
from afterclear.digest.output.write import write_digest
from tests.digest.every_row import build_digest
from tests.digest.findings_fixture import findings
from tests.digest.fleet_fixture import fleet
from tests.digest.hostile_fixture import hostile, long_history
from tests.in_chromium import RULES, chromium

pytestmark = [pytest.mark.browser, pytest.mark.slow]

REACHED = "a[href], summary, button:not([hidden]), input"
WIDTHS = (320, 375, 390, 640, 760, 820, 1280)  # 640: a 1280 px window at 200 % zoom


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("digest")
    whole = fleet(findings=findings(), said_before={("stock", "VAN-31"): "hold"})
    written = write_digest(rendered(build_digest(whole)), folder / "fleet")
    wanted = ("BUS-07", "HX-211", "VAN-38", "VAN-40", "PLANT-3", "VAN-31", "VAN-50", "HX-226")
    chosen = [p for p in written if p.name.startswith(tuple(f"v-{w.lower()}" for w in wanted))]
    chosen += [folder / "fleet" / f"{name}.html" for name in ("garage", "stock", "fleet", "index")]
    evil = write_digest(rendered(build_digest(hostile())), folder / "evil")
    long = write_digest(rendered(build_digest(long_history())), folder / "long")
    return [*chosen, evil[0], evil[-1], evil[-2], long[0]]


def open_page(browser: Browser, file: Path, **how: Any) -> Page:
    page = browser.new_page(**how)
    page.goto(file.as_uri())
    return page


def test_axe_finds_nothing(browser: Browser, files: list[Path]) -> None:
    # structure is the same in both themes: the dark one is checked on the richest pages
    richest = {*files[:5], *files[-8:-4]}
    found: list[str] = []
    for file in files:
        page = open_page(browser, file, color_scheme="light")
        if not file.name.startswith("v-long"):  # thousands of cells like those of the others
            page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        found += _axe_says(page, file)
        if file in richest:
            page.emulate_media(color_scheme="dark")
            found += _axe_says(page, file)
        page.close()
    assert found == []


def _axe_says(page: Page, file: Path) -> Iterator[str]:
    results = Axe().run(page, options=RULES).response
    assert {"color-contrast", "svg-img-alt"} & {rule["id"] for rule in results["passes"]}
    for violation in results["violations"]:
        for node in violation["nodes"]:
            what = f"{node['html'][:200]} {node.get('failureSummary')}"
            yield f"{file.name} {violation['id']}: {what}"


def test_no_german_page_is_wider_than_a_phone(browser: Browser, tmp_path: Path) -> None:
    """German words are longer: the table of verdicts did not fit at 360 px."""
    told = fleet(
        findings=findings(), settings=DigestSettings(fleet_name="Quillgate", language="de")
    )
    overviews = render_overviews(build_digest(told))
    for file in write_digest(overviews, tmp_path / "german"):
        page = open_page(browser, file)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        for width in (320, 360, 390, 768):
            page.set_viewport_size({"width": width, "height": 800})
            over = page.evaluate(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert over <= 0, (file.name, width)
        page.close()


def test_a_vehicle_of_a_large_fleet_is_found_from_disk(
    browser: Browser, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By any of its words, across the lists; sorted over all; axe finds nothing; no word leaves."""
    monkeypatch.setattr(build_digests, "LIST", 5)
    write_digest(rendered(build_digest(fleet(findings=findings()))), tmp_path)
    page = open_page(browser, tmp_path / "index.html")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for word in ("hx-211", "P0301", "northquay"):
        page.fill("#whole-fleet input", word)
        page.wait_for_selector("#whole-fleet tbody tr")
        found = page.locator("#whole-fleet tbody th a").all_inner_texts()
        assert "HX-211" in found, word
    page.click("#whole-fleet thead button >> text=Codes present")
    present = page.locator('#whole-fleet td[data-label="Codes present"]').all_inner_texts()
    assert [int(n) for n in present] == sorted((int(n) for n in present), reverse=True)
    assert not Axe().run(page, options=RULES).response["violations"]
    assert asked == [(tmp_path / "vehicles" / "fleet-index.js").as_uri()], "once, nothing else"
    page.fill("#whole-fleet input", "hx-211")
    page.click("#whole-fleet tbody a")
    assert "HX-211" in page.inner_text("h1")
    page.close()


def test_axe_would_find_something(browser: Browser) -> None:
    """A picture without words, grey on grey, and targets closer than 24 px (WCAG 2.5.8)."""
    page = browser.new_page()
    small = "<button style='width:12px;height:12px;padding:0' aria-label='a'></button>"
    page.set_content(
        f"<p style='color:#999;background:#aaa'>grey</p><svg role='img'></svg>{small}{small}"
    )
    found = {rule["id"] for rule in Axe().run(page, options=RULES).response["violations"]}
    page.close()
    assert {"color-contrast", "svg-img-alt", "target-size"} <= found


@pytest.fixture(scope="module")
def laid_out(browser: Browser, files: list[Path]) -> list[tuple[str, int, int, list[str]]]:
    """Show every page once, at every width: how far it is too wide, and broken identifiers."""
    found = []
    for file in files:
        page = open_page(browser, file)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 800})
            over, broken = page.evaluate(
                """() => [
                    document.documentElement.scrollWidth - document.documentElement.clientWidth,
                    [...document.querySelectorAll('.id, .code, .plate, .vehicle')]
                    .filter(e => !e.closest('svg, .long') && e.getClientRects().length > 1)
                    .filter(e => !e.querySelector('.long'))
                    .map(e => e.textContent)]"""
            )
            found.append((file.name, width, over, broken))
        page.close()
    return found


def test_no_page_is_wider_than_its_screen(
    laid_out: list[tuple[str, int, int, list[str]]],
) -> None:
    assert [each for each in laid_out if each[2] > 0] == []


def test_no_identifier_stands_on_two_lines(
    laid_out: list[tuple[str, int, int, list[str]]],
) -> None:
    """A box of several rectangles is broken; names longer than a line may break."""
    assert [each for each in laid_out if each[3]] == []


def test_text_in_pictures_is_readable_at_every_width(browser: Browser, files: list[Path]) -> None:
    """Smallest text of any shown picture in CSS pixels; 8 px is the size of a printed map's."""
    measure = """() => Math.min(...[...document.querySelectorAll('svg.chart')]
        .filter(svg => svg.getBoundingClientRect().width > 0)
        .flatMap(svg => [...svg.querySelectorAll('text')].map(text =>
            parseFloat(getComputedStyle(text).fontSize) * svg.getScreenCTM().a)))"""
    for file in (files[1], files[-6], files[-8]):
        page = open_page(browser, file)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 800})
            smallest = page.evaluate(measure)
            assert smallest is None or smallest >= 8, (file.name, width, smallest)
        page.close()


def test_the_keyboard_reaches_every_link_and_every_table(
    browser: Browser, files: list[Path]
) -> None:
    for file in (*files[:3], *files[-8:-4]):
        page = open_page(browser, file)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        wanted = page.evaluate(f"document.querySelectorAll('{REACHED}').length")
        reached = set()
        for _ in range(wanted + 2):
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate(
                    f"[...document.querySelectorAll('{REACHED}')].indexOf(document.activeElement)"
                )
            )
        page.close()
        assert len(reached - {-1}) == wanted, file.name


def test_the_style_sheet_is_let_in_by_the_pages_own_policy(
    browser: Browser, files: list[Path]
) -> None:
    page = open_page(browser, files[0])
    assert page.evaluate("getComputedStyle(document.querySelector('.attempt')).display") == "block"
    assert page.evaluate("getComputedStyle(document.body).maxWidth") != "none"
    page.close()


def test_no_page_reports_an_error_or_asks_for_anything(browser: Browser, files: list[Path]) -> None:
    for file in files:
        page = browser.new_page()
        asked: list[str] = []
        said: list[str] = []
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        page.on("console", lambda message, said=said: said.append(message.text))
        page.on("dialog", lambda dialog, said=said: said.append(dialog.message))
        page.goto(file.as_uri())
        page.close()
        assert asked == [file.as_uri()]
        assert said == [], file.name


def test_the_list_of_vehicles_is_found_in_and_sorted_without_a_mouse(
    browser: Browser, files: list[Path]
) -> None:
    page = open_page(browser, files[-5])
    page.get_by_role("searchbox").fill("courier northquay")
    shown = "[...document.querySelectorAll('.sortable tbody tr:not([hidden])')].map(r =>"
    names = page.evaluate(f"{shown} r.cells[0].querySelector('a').textContent)")
    assert names == ["VAN-31", "VAN-34", "VAN-38", "VAN-40", "VAN-50"]
    assert page.get_by_role("status").inner_text() == "5 shown"
    page.get_by_role("searchbox").fill("")
    page.get_by_role("button", name="Came back").first.focus()
    page.keyboard.press("Enter")
    counts = page.evaluate(f"{shown} +r.cells[6].textContent)")
    assert counts == sorted(counts, reverse=True)
    assert max(counts) > 0
    assert page.get_by_role("columnheader", name="Came back").get_attribute("aria-sort")
    page.close()


def test_the_list_is_folded_by_site_on_a_phone_and_sorted_over_all_sites(
    browser: Browser, files: list[Path]
) -> None:
    """A site's line is a target of at least 24 px; what is looked for opens its site."""
    page = open_page(browser, files[-5], viewport={"width": 375, "height": 800})
    sites, rows = page.locator("details.site"), page.locator("details.site tbody tr")
    assert sites.count() > 1
    assert page.locator("details.site[open]").count() == 0
    for i in range(sites.count()):
        box = sites.nth(i).locator("summary").bounding_box()
        assert box is not None
        assert box["height"] >= 24
    page.get_by_role("searchbox").fill("HX-211")
    assert page.locator("details.site tbody tr:visible").count() == 1
    page.get_by_role("searchbox").fill("")
    sites.first.evaluate("site => { site.open = true; }")
    n, of_first = rows.count(), sites.first.locator("tbody tr").count()
    page.get_by_role("button", name="Came back").first.click()
    assert sites.first.locator("tbody tr:visible").count() == n > of_first
    assert "Northquay" in page.locator("tr:has(a:text('HX-211')) td").first.inner_text()
    assert not Axe().run(page, options=RULES).response["violations"]
    page.get_by_role("button", name="By site again").click()
    assert sites.first.locator("tbody tr").count() == of_first
    assert page.locator("details.site:visible").count() == sites.count()
    page.close()


def test_vehicles_are_found_by_a_code_they_show(browser: Browser, files: list[Path]) -> None:
    """The list does not print codes: it is searched by those present all the same."""
    page = open_page(browser, files[-5])
    coded = page.locator("tr[data-words~='P0301']").count()
    page.get_by_role("searchbox").fill("p0301")
    assert page.locator(".sortable tbody tr:visible").count() == coded > 0
    page.close()


def test_the_work_to_do_is_searched_and_keeps_its_numbers(
    browser: Browser, files: list[Path], tmp_path: Path
) -> None:
    """A list as long as a large fleet's: eight lines more, like its first."""
    html = files[-6].read_text(encoding="utf-8")
    before, opening, rest = html.partition('<ol class="work')
    items, end, after = rest.partition("</ol>")
    first = items[items.index("<li>") : items.index("</li>") + len("</li>")]
    file = tmp_path / "fleet.html"
    file.write_text(before + opening + items + first * 8 + end + after, encoding="utf-8")
    page = open_page(browser, file)
    work = page.locator("ol.work").first
    n, name = work.locator("> li").count(), work.locator("b.vehicle").first.inner_text()
    page.get_by_role("searchbox").first.fill(name)
    seen = work.locator("> li:visible")
    assert seen.locator("b.vehicle").all_inner_texts() == [name] * 9
    assert seen.last.evaluate("line => line.value") == n
    page.close()


def test_long_tables_of_every_overview_are_searched_and_sorted(
    browser: Browser, files: list[Path]
) -> None:
    """Numbers by their size, on a phone with targets of at least 24 px (WCAG 2.5.8)."""
    sorted_columns = 0
    for file in files[-8:-4]:
        page = open_page(browser, file, viewport={"width": 375, "height": 800})
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        tables = page.locator("table.sortable")
        for i in range(tables.count()):
            if not tables.nth(i).is_visible():  # of a site: all are sorted into the first
                continue
            heads = tables.nth(i).locator("thead th.number:has(button)")
            for j in range(heads.count()):
                button = heads.nth(j).locator("button")
                box = button.bounding_box()
                assert box is not None
                assert min(box["width"], box["height"]) >= 24, (file.name, i, j)
                button.click()
                assert heads.nth(j).get_attribute("aria-sort") == "descending"
                shown = heads.nth(j).evaluate(
                    """head => [...head.closest('table').tBodies[0].rows].map(
                        r => r.cells[head.cellIndex].textContent.match(/[0-9][0-9.,]*/))
                        .map(found => found ? +found[0].replaceAll(',', '') : -1)"""
                )
                assert shown == sorted(shown, reverse=True), (file.name, i, j)
                sorted_columns += 1
        page.close()
    assert sorted_columns > 4


def test_a_phone_shows_only_the_vehicles_looked_for(browser: Browser, files: list[Path]) -> None:
    """Rows are blocks there, and a block stays in sight though it is called hidden."""
    page = open_page(browser, files[-5], viewport={"width": 390, "height": 844})
    page.get_by_role("searchbox").fill("courier northquay")
    assert page.locator(".sortable tbody tr:visible").count() == 5
    page.close()


def test_no_text_on_a_phone_stands_in_a_column_of_letters(
    browser: Browser, files: list[Path]
) -> None:
    """A caption left a table's part, where the table is none, shrinks to its narrowest letter."""
    for file in files[-8:-4]:
        page = open_page(browser, file, viewport={"width": 390, "height": 844})
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        narrow = page.evaluate(
            """() => [...document.querySelectorAll('caption, p, li, td, th, dd, summary')]
                .filter(e => e.checkVisibility())
                .filter(e => !e.closest('thead, .compact, .hidden, .sections'))
                .filter(e => e.textContent.trim().length > 12)
                .filter(e => e.getBoundingClientRect().width < 90)
                .map(e => e.tagName + ' ' + e.textContent.trim().slice(0, 40))"""
        )
        page.close()
        assert narrow == [], file.name


def test_ten_components_with_long_names_fit_between_phone_and_desk(
    browser: Browser, files: list[Path]
) -> None:
    page = open_page(browser, files[-6])
    page.evaluate(
        """() => [...document.querySelectorAll('.matrix tr')].forEach(row => {
            while (row.cells.length < 11) row.append(row.cells[1].cloneNode(true));
            [...row.cells].slice(1).forEach(c => {
                if (c.tagName === 'TH') c.textContent = 'Communication, transmission';
            });
        })"""
    )
    for width in (740, 768, 834, 1024):
        page.set_viewport_size({"width": width, "height": 800})
        over = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        assert over <= 0, width
    page.close()


def test_without_scripts_the_list_of_vehicles_is_whole(browser: Browser, files: list[Path]) -> None:
    page = open_page(browser, files[-5], java_script_enabled=False)
    assert page.locator(".sortable tbody tr").count() > 10
    assert page.locator("input").count() == 0
    page.close()


def test_paper_is_light_and_shows_the_scans_behind_each_verdict(
    browser: Browser, files: list[Path]
) -> None:
    page = open_page(browser, files[0], color_scheme="dark")
    page.emulate_media(media="print", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    shown = page.evaluate(
        "[...document.querySelectorAll('.attempt table')]"
        ".map(table => table.getBoundingClientRect().height)"
    )
    page.close()
    assert shown
    assert min(shown) > 0


def test_paper_is_numbered_and_cuts_no_row(browser: Browser, files: list[Path]) -> None:
    """Rows are not to be broken; each sheet of A4 has the page's title and its own number."""
    for file in (files[0], files[-1], files[-6], files[-7], files[-8]):
        page = open_page(browser, file)
        page.emulate_media(media="print")
        inside = page.evaluate(
            "[...document.querySelectorAll('tr, svg.chart')]"
            ".map(part => getComputedStyle(part).breakInside)"
        )
        pdf = page.pdf(prefer_css_page_size=True)
        page_title = page.title()
        page.close()
        assert set(inside) <= {"avoid"}, file.name
        sheets = PdfDocument(pdf)
        title = " ".join(page_title.split())
        for number, sheet in enumerate(sheets, start=1):
            text = " ".join(sheet.get_textpage().get_text_range().split())
            assert title[:40] in text, (file.name, number)
            assert f"{number} / {len(sheets)}" in text, (file.name, number)
        assert pdf.startswith(b"%PDF-")
        assert b"/MediaBox [0 0 594" in pdf or b"/MediaBox [0 0 595" in pdf, "A4 is 595 points wide"


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_sheet_for_a_meeting_is_one_landscape_page(
    browser: Browser, tmp_path: Path, language: str
) -> None:
    """Also with long names, three full points and as many sites as the sheet shows."""
    frames = fleet(findings=findings())
    settings = replace(frames.settings, language=language)
    page = build_digest(replace(frames, settings=settings)).garage
    assert page is not None
    long = replace(
        page.looks[0],
        name="Northquay commercial vehicle workshop, hall 2",
        saving="If these repairs had held as elsewhere: about 19 fewer come-backs (between 11 and "
        "31), about 2,800 EUR (between 1,600 EUR and 4,600 EUR).",
    )
    written = tmp_path / "sheet.html"
    written.write_text(render_quality_sheet(replace(page, looks=(long,) * 4)), encoding="utf-8")
    shown = open_page(browser, written)
    sheets = PdfDocument(shown.pdf(prefer_css_page_size=True))
    shown.close()
    assert len(sheets) == 1
    width, height = sheets[0].get_size()
    assert (round(width), round(height)) == (842, 595), "A4 landscape, in points"
