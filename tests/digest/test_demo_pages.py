"""The demo's pages, tried as a new user would: ten questions, valid HTML, every page reachable."""

import re
import shutil
from collections.abc import Iterator
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from statistics import median
from typing import Any
from urllib.parse import urljoin

import html5lib
import polars as pl
import pytest
from pypdfium2 import PdfDocument

import afterclear
from afterclear.commands.analysis.analysing import analyse, last_event
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.pages.write_digests import digest
from afterclear.config import Config, shipped
from afterclear.deliver.paper import find_browser, print_pages
from afterclear.digest.common import file_names
from afterclear.store.engine.database import open_store, query
from afterclear.store.queries.exports import EXPORTS
from tests.digest.messages import catalogue

HELP = Path(afterclear.__file__).parent / "help" / "digests.md"


@pytest.fixture(scope="module")
def folder(demo_run: tuple[App, DemoReport]) -> Path:
    return demo_run[1].digest.index.parent


class Page(HTMLParser):
    """A page's links and its text."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.links: set[str] = set()
        self.ids: set[str] = set()
        self.text = ""
        self.feed(path.read_text(encoding="utf-8"))
        self.text = " ".join(self.text.replace("\u00a0", " ").split())

    def handle_starttag(self, _: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self.links.add(told.get("href") or "")
        self.ids.add(told.get("id") or "")

    def handle_data(self, data: str) -> None:
        self.text += f"{data} "


def questions() -> list[tuple[str, list[str], str]]:
    """Read the table of the help page: question, clicks, where the answer stands."""
    rows = re.findall(
        r"^\| (?:manager|quality lead|auditor) \| (.*?) \| (.*?) \| (.*?) \|$",
        HELP.read_text(encoding="utf-8"),
        re.MULTILINE,
    )
    return [
        (asked, [click.strip("`") for click in path.split(" -> ")], head)
        for asked, path, head in rows
    ]


def target(click: str) -> str:
    """Turn ``vehicles/M-106`` into its page."""
    if not click.startswith("vehicles/"):
        return click
    return file_names.vehicle_page(click.removeprefix("vehicles/"))


def test_a_vehicle_whose_page_asks_for_something_is_on_a_list(
    demo_run: tuple[App, DemoReport],
) -> None:
    """To bring in or to scan next, or in the stock audit; with the same rank as the export has."""
    app, report = demo_run
    with open_store(app.store, read_only=True) as con:
        ranked = query(con, EXPORTS["worklist"]).filter(pl.col("audience") != "garage")
        printed = ranked.filter(audience="fleet").sort("rank")
    asking = {
        name.removeprefix("v-").split("--")[0].upper()
        for name, text in _leads(report.digest.index.parent / "vehicles")
        if "Nothing to do now." not in text and "Ready: " not in text
    }
    assert asking == set(ranked["vehicle_id"])
    page = (report.digest.index.parent / "fleet.html").read_text(encoding="utf-8")
    listed = re.findall(r'<span class="who"><b class="vehicle[^>]*>([^<]+)</b>', page)
    assert listed == printed["vehicle_id"].to_list()[: len(listed)]
    levels = re.findall(r'<summary>\s*<span class="urgency u-([a-z_]+)"', page)
    assert levels == printed["urgency"].to_list()[: len(levels)]
    assert (levels.count("do_not_drive"), len(levels)) == (1, len(listed)), (
        "isolation, nothing else"
    )


def _leads(folder: Path) -> Iterator[tuple[str, str]]:
    for page in folder.iterdir():
        told = page.read_text(encoding="utf-8")
        yield page.stem, told[told.index('<p class="lead">') : told.index('id="now"')]


LISTS = ("observed", "worn", "judged", "still", "open")


def test_every_figure_of_the_garage_page_equals_the_work_behind_it(
    demo_run: tuple[App, DemoReport], folder: Path
) -> None:
    """Counted again from the exports; a list on a page has as many lines, or its first fifty."""
    with open_store(demo_run[0].store, read_only=True) as con:
        counted = query(con, EXPORTS["counted_work"])
        habits = query(con, EXPORTS["process"])
        behind = query(con, EXPORTS["process_orders"])
        for table, column in (
            ("sites", "site"),
            ("brands", "part_brand"),
            ("grades", "part_grade"),
        ):
            for group in query(con, EXPORTS[table]).iter_rows(named=True):
                name = group[table.removesuffix("s")]
                own = counted.filter(pl.col(column) == name)
                shown = _figures(folder, table.removesuffix("s"), name)
                assert own["came_back"].sum() == group["observed"] == shown["observed"][0], name
                assert own["is_judged"].sum() == group["n_judged"], name
                assert (
                    own.height
                    == group["n_repairs"]
                    == sum(shown[part][0] for part in LISTS if part in shown)
                )
                assert own["counted_as"].eq("worn_or_new").sum() == shown.get("worn", [0])[0]
                assert all(lines == min(n, 50) for n, lines in shown.values()), (name, shown)
    for row in habits.iter_rows(named=True):
        shown = _figures(folder, "site", row["site"])
        found = behind.filter(finding=row["finding"], site=row["site"]).height
        assert row["n"] == found == shown[row["finding"]][0], row


def _figures(folder: Path, level: str, name: str) -> dict[str, tuple[int, int]]:
    """Read the figure over each list of a page, and how many lines the list has."""
    page = (folder / file_names.quality_page(level, name)).read_text(encoding="utf-8")
    found = {}
    for part in page.split("<section ")[1:]:
        anchor, title = re.findall(r'<h2 id="(\w+)">(.*?)</h2>', part)[0]
        found[anchor] = (int(re.findall(r"\d+", title)[0]), part.count('<th scope="row">'))
    return found


def test_nobody_is_named_unless_that_is_switched_on(
    demo_run: tuple[App, DemoReport], folder: Path
) -> None:
    """Neither on a page nor in a file beside it: rows with a name are a comparison by name."""
    with open_store(demo_run[0].store, read_only=True) as con:
        people = query(con, "SELECT DISTINCT technician FROM repairs WHERE technician IS NOT NULL")
    assert people.height > 5
    named = re.compile("|".join(map(re.escape, people["technician"])))
    for file in folder.rglob("*.*"):
        if file.suffix in {".html", ".csv"}:
            assert not named.search(file.read_text(encoding="utf-8")), file.name
    assert "technician" not in (folder / "data" / "rows-attempts.csv").read_text(encoding="utf-8")


def test_there_are_ten_questions() -> None:
    assert len(questions()) == 10


@pytest.mark.parametrize(("asked", "clicks", "head"), questions(), ids=[q[0] for q in questions()])
def test_a_question_is_answered_in_two_clicks(
    folder: Path, asked: str, clicks: list[str], head: str
) -> None:
    """Each click is a link of the page before; what is looked for stands on the last page."""
    assert 1 <= len(clicks) <= 2, asked
    here = file_names.INDEX
    for click in clicks:
        wanted = target(click)
        links = {urljoin(here, link) for link in Page(folder / here.partition("#")[0]).links}
        links |= {f"{here}{link}" for link in Page(folder / here).links if link.startswith("#")}
        assert wanted in links, (asked, wanted)
        here = wanted
    file, _, place = here.partition("#")
    page = Page(folder / file)
    assert head in page.text, asked
    assert not place or place in page.ids


ANSWERS = [  # page, words of the planted story that answer the question
    ("fleet.html", "Find and repair P0AA6-1A in the high voltage battery control unit."),
    ("garage.html", "Orrinby"),
    ("garage.html", "Claim sheet: Wheel speed sensor: Cadrowen CW4410"),
    ("stock.html", "The memory was cleared 61 km before the last scan"),
    ("vehicles/P-203", "C0031-13 Brakes the fault to work on"),
    ("vehicles/P-209", "showed C0031-2F, a code of the same component as C0031-13"),
    ("vehicles/T-305", "without SPN 1761 FMI 3 over 1,346 h since the repair"),
    ("vehicles/P-208", "Gets worse:"),
]


NEXT_STEPS = {
    "Y-501": ("Ask what was done when the codes were cleared.", 43),
    "Y-502": ("Drive until the odometer shows about 91,890 km.", 36),
    "Y-503": ("Scan every control unit.", 78),
    "Y-504": ("Ask for papers on the odometer.", 99),
    "Y-505": ("Ask where the engine control unit comes from.", 64),
    "Y-506": ("Nothing left to do.", 134),
    "Y-508": ("Scan every control unit.", 15),
    "Y-509": (
        "First have B0001-13 in the airbag control unit repaired, by qualified people.",
        169,
    ),
}


def test_every_car_of_the_yard_has_its_next_step_and_its_days_in_stock(folder: Path) -> None:
    html = (folder / "stock.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    rows = {vehicle: row for row in html.split("<tr>") for vehicle in re.findall(r">(Y-\d+)<", row)}
    for vehicle, (step, days) in NEXT_STEPS.items():
        assert step in re.sub(r"<[^>]*>", "", rows[vehicle].partition("<details")[0])
        assert re.search(rf'class="number"[^>]*>{days}</td>', rows[vehicle])


def test_the_page_of_a_car_in_stock_asks_for_what_the_stock_page_asks_for(folder: Path) -> None:
    """No scan after so many km where no distance settles it, and none from before a repair."""
    held = Page(folder / file_names.vehicle_page("Y-501")).text
    assert "Ask what was done when the codes were cleared." in held
    assert "389 km have been driven" not in held
    fresh = Page(folder / file_names.vehicle_page("Y-502")).text
    assert "Drive until the odometer shows about 91,890 km." in fresh
    assert "as soon as" not in fresh


COUNTS = ("Held", "On watch", "Unchecked", "Came back")


def test_a_sold_vehicles_fix_is_not_called_on_watch(folder: Path) -> None:
    (page,) = (folder / "vehicles").glob("v-m-108-*.html")
    text = page.read_text(encoding="utf-8")
    assert "Sold before it was proven: no further scan is expected." in text
    assert "Not proven" in text
    fixes = text[text.index('id="fixes"') :]
    assert "On watch" not in fixes


def test_the_list_and_the_vehicles_own_page_count_alike(folder: Path) -> None:
    """Codes present and fixes by verdict; those counted with another code's fix are named."""
    html = (folder / file_names.INDEX).read_text(encoding="utf-8")
    found = 0
    for row in (part for part in html.split("<tr") if 'scope="row"' in part):
        cells = re.findall(r'class="number[ nil]*">(\d+)', row)
        page = folder / unescape(re.findall(r'href="([^"]+)"', row)[0])
        own = page.read_text(encoding="utf-8")
        assert own.count("<b>still there</b>") == int(cells[0]), page
        counted = own.partition('id="fixes"')[2].partition("<article")[0]
        said = re.sub(r"<[^>]*>", " ", counted)
        told = [re.search(rf"{word}\s+(\d+)", said) for word in COUNTS]
        assert [int(m[1]) if m else 0 for m in told] == [int(n) for n in cells[1:]], page
        more = re.search(r"(\d+)\s+more counts?", said.replace("\u00a0", " "))
        n_counted = sum(int(n) for n in cells[1:])
        assert own.count("<article") == n_counted + (int(more[1]) if more else 0), page
        found += n_counted
    assert found > 200


SAYS = [  # page, words on it, words that would contradict them
    ("T-303", "Have the stored codes of the engine control unit read", "Scan the engine unit."),
    ("H-403", "once it may be driven", "about 9 Nov 2026"),
    ("P-202", "there before: the clear of 3 Dec 2025 did not end it", ""),
    ("P-203", "the work was on a code that only follows from another, C0031-13", ""),
    ("T-305", "Hour meter", "Odometer"),
    ("sheet P-202", "Began after 8 Sep 2025", "Began after 3 Dec 2025"),
    ("sheet Y-501", "Ask what was done when the codes were cleared.", "389 km"),
    ("dossier Y-504", "Distance driven, carried on at least 140,303 km", "or more carried on"),
    ("dossier Y-509", "Airbags and belts", ""),
]
PAGES_OF = {
    "sheet": file_names.sheet_page,
    "dossier": file_names.dossier,
    "vehicle": file_names.vehicle_page,
}


@pytest.mark.parametrize(("asked", "words", "other"), SAYS, ids=[s[0] for s in SAYS])
def test_a_page_says_one_thing(folder: Path, asked: str, words: str, other: str) -> None:
    *kind, vehicle = asked.split()
    text = Page(folder / PAGES_OF[kind[0] if kind else "vehicle"](vehicle)).text
    assert words in text
    assert not other or other not in text


CAUSES = ("the fix did not hold", "the old fault", "the part has worn out", "a new fault")


@pytest.mark.parametrize("cause", CAUSES)
def test_each_of_the_three_causes_of_a_come_back_is_told_on_several_pages(
    folder: Path, cause: str
) -> None:
    """A bare clear mends nothing: what comes back after one is the old fault."""
    said = re.compile(rf"most likely {cause}: (over )?\d+\s%".replace(" ", r"\s"))
    pages = [page for page in folder.rglob("*.html") if said.search(page.read_text("utf-8"))]
    assert len(pages) >= 3


@pytest.mark.parametrize(("page", "words"), ANSWERS, ids=[a[0] for a in ANSWERS])
def test_the_answer_is_the_planted_story(folder: Path, page: str, words: str) -> None:
    assert words in Page(folder / target(page)).text


def _asking(app: App, folder: Path, asked: str) -> App:
    """Give the demo's store to somebody with other settings of pages."""
    tables = folder / asked.replace(" ", "")
    shutil.copytree(shipped("config"), tables)
    (tables / "afterclear.toml").write_text(f"[digest]\n{asked}\n", encoding="utf-8")
    return App(Config(tables), app.store, app.clock)


@pytest.mark.slow
def test_the_unit_and_language_of_pages_are_those_of_the_digest_not_of_the_analysis(
    demo_run: tuple[App, DemoReport], tmp_path: Path
) -> None:
    """Analysed by who reads miles, shown to who reads km and German: no mile, no English."""
    store = tmp_path / "demo.duckdb"
    shutil.copy(demo_run[0].store, store)
    demo = App(demo_run[0].config, store, demo_run[0].clock)
    analyse(_asking(demo, tmp_path, 'units = "mi"'), as_of=last_event(demo))
    made = digest(_asking(demo, tmp_path, 'units = "km"\nlanguage = "de"')).index.parent
    texts = {path.name: _text(path) for path in made.rglob("*.html")}
    assert len(texts) > 60
    assert [name for name, text in texts.items() if re.search(r"\d mi\b", text)] == []
    every = " ".join(texts.values())
    assert [piece for piece in _english_pieces() if piece in every] == []


def _english_pieces() -> set[str]:
    """Give what stands between the places of every English text that has a German one."""
    pieces: set[str] = set()
    german = ""
    for message in catalogue("de"):
        if message.id:
            english = message.id if isinstance(message.id, str) else " ".join(message.id)
            pieces |= {piece.strip() for piece in re.split(r"\{\w*\}", english)}
            german += str(message.string)
    return {piece for piece in pieces if len(piece.split()) >= _WORDS and piece not in german}


_WORDS = 4  # fewer may stand in a name or in what a code means


def _text(path: Path) -> str:
    html = _UNSPOKEN.sub("", path.read_text(encoding="utf-8"))
    return " ".join(re.sub(r"<[^>]*>", " ", html).split())


_UNSPOKEN = re.compile(r"<(style|script|code)\b.*?</\1>", re.DOTALL)


@pytest.mark.slow
def test_every_page_of_the_demo_is_valid_and_reachable(folder: Path) -> None:
    files = [*folder.glob("*.html"), *folder.glob("*/*.html")]
    overviews = (file_names.INDEX, file_names.GARAGE, file_names.STOCK, file_names.FLEET)
    vehicles = folder.glob("vehicles/*.html")
    reached = {
        file_names.INDEX,
        *(x.partition("#")[0] for f in overviews for x in Page(folder / f).links),
        *(x.partition("#")[0].removeprefix("../") for f in vehicles for x in Page(f).links),
    }
    for file in files:
        name = str(file.relative_to(folder))
        assert name in reached, name
        html5lib.HTMLParser(strict=True).parse(file.read_text(encoding="utf-8"))


def test_a_vehicle_page_is_small_enough_to_mail(folder: Path) -> None:
    """Half of them are under 60 kB (issue 16), style, signs and pictures for two widths within."""
    sizes = [path.stat().st_size for path in folder.glob("vehicles/v-*.html")]
    assert median(sizes) < 60_000
    assert max(sizes) < 170_000


def test_the_rows_behind_every_number_stand_beside_the_page(
    demo_run: tuple[App, DemoReport], folder: Path
) -> None:
    """As a spreadsheet opens them; each has the rows its name says, no file is left over."""
    named: set[str] = set()
    for file in (*folder.glob("*.html"), *folder.glob("*/*.html")):
        found = re.findall(r'href="(?:\.\./)?(data/[^"]+)"', file.read_text(encoding="utf-8"))
        assert found or file.parent.name in {"sheets", "dossiers"}, file.name
        named |= set(found)
    assert named == {f"data/{path.name}" for path in folder.glob("data/*")}
    assert len(named) > 12
    with open_store(demo_run[0].store, read_only=True) as con:
        attempts = query(con, EXPORTS["attempts"])
    watched = "data/rows-attempts--is_echo-false--outcome-on_watch.csv"
    assert watched in named
    text = (folder / watched).read_bytes()
    assert text.startswith(b"\xef\xbb\xbfattempt_id,")
    assert pl.read_csv(text).height == attempts.filter(outcome="on_watch", is_echo=False).height > 0


@pytest.mark.parametrize("name", ["fleet", "garage", "stock"])
def test_an_overview_that_marks_safety_has_each_caution_once(folder: Path, name: str) -> None:
    html = (folder / f"{name}.html").read_text(encoding="utf-8")
    assert 'class="safety"' in html
    found = re.findall(r'<p class="caution".*?</p>', html)
    assert found
    assert len(found) == len(set(found))


@pytest.mark.slow
@pytest.mark.browser
def test_a_workshop_sheet_is_one_side_of_a4(folder: Path, tmp_path: Path) -> None:
    """Those with the most to say are printed."""
    if find_browser() is None:
        pytest.skip("no chromium on this machine")
    sheets = sorted(folder.glob("sheets/*.html"), key=lambda path: path.stat().st_size)
    for sheet in sheets[-5:]:
        (paper,) = print_pages([Path(shutil.copy(sheet, tmp_path))])
        with PdfDocument(paper) as printed:
            assert len(printed) == 1, sheet.name


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_on_any_page_of_the_demo(folder: Path, theme: str) -> None:
    """All details open, at 1280 and 320 px; none is wider than its screen.

    Structure is the same in both themes: of vehicles the dark one is checked on every third, of
    sheets either on every sixth.
    """
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no chromium on this machine")
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    found: list[Any] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        vehicles = sorted(folder.glob("vehicles/*.html"))[:: 1 if theme == "light" else 3]
        sheets = sorted(folder.glob("sheets/*.html"))[::6]
        for file in (*sorted(folder.glob("*.html")), *vehicles, *sheets):
            page = browser.new_page(color_scheme=theme)  # type: ignore[arg-type]
            page.goto(file.as_uri())
            page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
            results = Axe().run(page).response
            found += [
                (file.name, v["id"], v["nodes"][0]["html"][:200]) for v in results["violations"]
            ]
            page.set_viewport_size({"width": 320, "height": 800})
            wide = page.evaluate("document.documentElement.scrollWidth")
            found += [(file.name, "wide", wide)] if wide > 320 else []
            page.close()
        browser.close()
    assert found == []
