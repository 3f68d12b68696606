"""Every page of the desk in every state, in a real browser: axe-core, and no page too wide.

Pages are rendered here and shown by the browser with the desk's own sheet, in English and in
German, each at the width of a phone and of a screen, one of them light and the other dark.
"""

import copy
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser as Chromium

import afterclear.desk
from afterclear.commands.app import App
from afterclear.desk.long_work.bench import Piece
from afterclear.errors import worded
from afterclear.settings import Digest
from tests.desk.test_access import Served
from tests.desk.test_desk import SCANS, Browser, garage
from tests.desk.test_desk_files import ORDERS, large
from tests.in_chromium import RULES, chromium

pytestmark = [pytest.mark.browser, pytest.mark.slow]

TEMPLATES = Path(afterclear.desk.__file__).parent / "templates"
NO_PAGES = {"base.html", "macros.html"}  # parts of others
PLACE = "http://desk.example/"
Scheme = Literal["light", "dark"]
# every width with every scheme, in one language each: colours hang on no word
LOOKS: dict[str, tuple[tuple[int, Scheme], ...]] = {
    "en": ((375, "light"), (1280, "dark")),
    "de": ((375, "dark"), (1280, "light")),
}
_TOO_WIDE = """[...document.querySelectorAll("body *")]
    .filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
    .map(e => e.outerHTML.slice(0, 120)).slice(0, 3)"""
MAP = 'kind = "delimited"\nfiles = ["yard*"]\n\n[[table]]\ninto = "vehicles"\n\n[table.columns]\n'
MAP += 'vehicle_id = "unit"\nmake = "maker"\n'


@dataclass(frozen=True)
class State:
    """A page as it may look."""

    template: str
    name: str
    html: str


def german(app: App) -> App:
    config = copy.copy(app.config)
    config.settings = config.settings.model_copy(update={"digest": Digest(language="de")})
    return replace(app, config=config)


def empty_states(browser: Browser) -> Iterator[State]:
    """Yield pages of a desk to which nothing was brought yet."""
    for template, place in (
        *(("home", "/"), ("bring", "/bring"), ("maps", "/maps"), ("bench", "/bench")),
        *(("nothing_yet", "/decide"), ("settings", "/settings"), ("trail", "/trail")),
    ):
        yield State(template, f"empty {place}", browser.get(place))
    status, html = browser.ask("/bring", files={"files": ("", io.BytesIO(b""))})
    assert status == 400
    yield State("bring", "no file chosen", html)
    answer = browser.client.post("/judge", data={"form_token": "-"}, headers={"Origin": _home()})
    yield State("problem", "foreign form", answer.text)


def _home() -> str:
    return "http://127.0.0.1:8765"


def file_states(browser: Browser) -> Iterator[State]:
    """Yield pages of files that were brought, and of maps."""
    imports = browser.desk.app.config.imports
    imports.mkdir(exist_ok=True)
    (imports / "yard.toml").write_text(MAP, encoding="utf-8")
    yield State("map", "map", browser.get("/maps/yard"))
    wrong = MAP.replace("make =", "colour =")
    yield State("map", "wrong map", browser.ask("/maps/yard", text=wrong, was=MAP)[1])
    yield State("maps", "maps", browser.get("/maps"))
    dates = "vehicle;date;odometer km;module;code\n" + "".join(
        f"M-{n};0{n}/04/2025;{n}0123;engine;P030{n}\n" for n in range(1, 6)
    )
    for name, text in (
        ("scans.csv", SCANS),
        ("orders.csv", ORDERS),
        ("dates.csv", dates),
        ("letter.txt", "Dear all\n"),
        ("twisted.csv", SCANS.replace("2025-01-01T08:00:00Z", "yesterday")),
    ):
        number = browser.bring(name, text)
        yield State("look", name, browser.get(f"/bring/{number}"))
        browser.uploads.note(number, worded("{name} cannot be loaded yet.", name=name))
    html = browser.client.get(f"/bring/{number}?zone=Nowhere").text
    yield State("look", "wrong zone", html)
    row = "W{n}x,V-1,2025-03-{day:02d},2025-04-{day:02d},1000,replaced coil\n"
    number = browser.bring("large.csv", large(ORDERS, row))
    html = browser.get(f"/bring/{number}")
    assert "data-again" in html  # it is looked at beside the pages
    yield State("judging", "large file", html)
    yield State("bring", "files wait", browser.get("/bring"))


def work_states(browser: Browser) -> Iterator[State]:
    """Yield pages of a fleet that was loaded and judged."""
    for template, place in (
        *(("home", "/"), ("work", "/decide"), ("loads", "/loads"), ("refused", "/refused")),
        *(("vehicle", "/find?name=M-106"), ("codes", "/find?name=P0301+C0034")),
        *(("codes", "/find?name=M-0"), ("forget", "/forget?vehicle=M-106")),
        *(("settings", "/settings"), ("trail", "/trail")),
    ):
        yield State(template, place, browser.get(place))
    yield State("work", "nothing ticked", browser.ask("/decide", word="accept", by="Mara")[1])
    yield State("settings", "form not whole", browser.ask("/settings", seen="no")[1])
    lines = ["ok  a.csv  3 rows", "REFUSED  b.csv  it is empty"]
    busy = Piece(worded("Load {name}", name="a.csv"), by="Mara", lines=lines)
    cancelling = replace(busy, is_cancelled=True)
    failed = replace(busy, is_done=True, problem=worded("The program failed here; the log has it."))
    for name, piece in (
        ("busy", busy),
        ("cancelling", cancelling),
        ("cancelled", replace(cancelling, is_done=True)),
        ("failed", failed),
        ("done", replace(busy, is_done=True)),
    ):
        browser.bench.piece = piece
        yield State("bench", name, browser.get("/bench"))
        if piece is busy:
            yield State("home", "somebody is at work", browser.get("/"))
    browser.bench.piece = None


def others_states(served: Served) -> Iterator[State]:
    """Yield pages of a desk that listens to others."""
    stranger = served.browser()
    yield State("sign_in", "sign in", stranger.get("/sign-in").text)
    token = re.search(r'name="form_token" value="([^"]+)"', stranger.get("/sign-in").text)
    assert token is not None
    data = {"form_token": token[1], "name": "Ada", "password": "wrong"}
    home = "https://desk.garage.example:8443"
    answer = stranger.post("/sign-in", data=data, headers={"Origin": home})
    yield State("sign_in", "wrong password", answer.text)
    right = data | {"password": "four words that do not belong"}
    answer = stranger.post("/sign-in", data=right, headers={"Origin": home}, follow_redirects=False)
    yield State("go_in", "signed in", answer.text)
    yield State("home", "signed in as admin", stranger.get("/").text)
    reader = served.sign_in("Rea")
    yield State("problem", "role is missing", reader.get("/settings").text)
    yield State("nothing_yet", "for a reader", reader.get("/decide").text)


def every_state(folder: Path, demo: App) -> Iterator[State]:
    """Yield every page in every state."""
    is_german = demo.config.settings.digest.language == "de"
    app = garage(folder / "garage")
    browser = Browser(german(app) if is_german else app).enter()
    yield from empty_states(browser)
    yield from file_states(browser)
    yield from work_states(Browser(demo).enter())
    (folder / "others").mkdir()
    config = german(app).config if is_german else None
    yield from others_states(Served(folder / "others", config))


@pytest.fixture(scope="module")
def chrome() -> Iterator[Chromium]:
    with chromium() as opened:
        yield opened


@pytest.mark.parametrize("language", LOOKS)
def test_no_page_in_any_state_is_too_wide_or_hard_to_use(
    chrome: Chromium, tmp_path: Path, demo_run: tuple[App, object], language: str
) -> None:
    demo = german(demo_run[0]) if language == "de" else demo_run[0]
    states = list(every_state(tmp_path, demo))
    pages = {path.name for path in TEMPLATES.glob("*.html")} - NO_PAGES
    assert {f"{state.template}.html" for state in states} == pages  # none is left out
    for state in states:
        assert f'<html lang="{language}"' in state.html, state.name
    wrong = [
        found
        for width, scheme in LOOKS[language]
        for found in _looked_at(chrome, states, width, scheme)
    ]
    assert wrong == []


def _looked_at(chrome: Chromium, states: list[State], width: int, scheme: Scheme) -> Iterator[str]:
    """Yield what is wrong with pages at one width and in one scheme of colours."""
    context = chrome.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
    page = context.new_page()
    sheet = (TEMPLATES / "desk.css").read_text(encoding="utf-8")
    page.route("**/desk.css", lambda route: route.fulfill(body=sheet, content_type="text/css"))
    page.route("**/desk.js", lambda route: route.abort())
    shown: list[str] = []
    page.route(PLACE, lambda route: route.fulfill(body=shown[-1], content_type="text/html"))
    for state in states:
        shown.append(re.sub(r'<meta http-equiv="refresh"[^>]*>', "", state.html))
        page.goto(PLACE)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        over = page.evaluate("document.documentElement.scrollWidth") - width
        if over > 0:
            yield f"{state.name}, {width}: {over} too wide: {page.evaluate(_TOO_WIDE)}"
        for rule in Axe().run(page, options=RULES).response["violations"]:
            node = rule["nodes"][0]["html"][:200]
            yield f"{state.name}, {width}, {scheme}: {rule['id']}: {node}"
    context.close()
