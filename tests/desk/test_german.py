"""The desk in another language: every page speaks it, and what has no words in it is marked."""

import copy
import gettext
import json
import re
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest

import afterclear.desk
from afterclear.commands.app import App
from afterclear.commands.progress import file_line, line_told
from afterclear.desk.long_work.bench import Piece
from afterclear.desk.speech.speaking import said, told
from afterclear.errors import packed, worded
from afterclear.settings import Digest
from afterclear.wording.cells import Cells
from tests.desk.test_desk import Browser
from tests.digest.messages import LOCALE
from tests.digest.test_language import Spoken

TEMPLATES = Path(afterclear.desk.__file__).parent / "templates"
GERMAN = Cells(language="de")
ALIKE = {"afterclear init DIR"}  # in every language: a command
_JINJA = re.compile(
    r"\{% block here %\}.*?\{% endblock %\}|\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", re.DOTALL
)
_SAID = re.compile(r'(?:aria-label|title|placeholder|alt|data-label)="([^"]*)"')


@pytest.fixture(scope="module")
def browser(demo_run: tuple[App, object]) -> Browser:
    """Give a German desk of the invented fleet; it is only read."""
    config = copy.copy(demo_run[0].config)
    config.settings = config.settings.model_copy(update={"digest": Digest(language="de")})
    return Browser(replace(demo_run[0], config=config)).enter()


@pytest.mark.parametrize("name", sorted(path.name for path in TEMPLATES.glob("*.html")))
def test_no_text_of_a_page_is_in_one_language_only(name: str) -> None:
    bare = _JINJA.sub("", (TEMPLATES / name).read_text(encoding="utf-8"))
    told = [*_SAID.findall(bare), *re.sub(r"<[^>]*>", "\n", bare).split("\n")]
    assert {text.strip() for text in told if re.search(r"[^\W\d]{2}", text)} <= ALIKE


@pytest.mark.parametrize(
    "place",
    [
        *(
            "/",
            "/decide",
            "/settings",
            "/find?name=M-106",
            "/find?name=P0301+C0034",
            "/find?name=M-0",
        ),
        *("/bring", "/maps", "/trail", "/forget?vehicle=M-106", "/refused", "/loads", "/bench"),
    ],
)
def test_a_german_page_of_the_desk_is_german(browser: Browser, place: str) -> None:
    html = browser.get(place)
    assert '<html lang="de">' in html
    html5lib.HTMLParser(strict=True).parse(html)
    german = gettext.translation("afterclear", LOCALE, ["de"])._catalog  # type: ignore[attr-defined]  # noqa: SLF001
    english = {
        text.strip()
        for key, of_it in german.items()
        for text in [key[0] if isinstance(key, tuple) else key]
        if len(text) > 4 and "{" not in text and text != of_it
    }
    assert english & set(Spoken(html).texts) == set()


def test_a_form_that_is_not_kept_says_so_in_german(browser: Browser) -> None:
    status, html = browser.ask("/decide", word="accept", by="Mara")
    assert (status, "Die Zeilen ankreuzen" in html, '<html lang="de">' in html) == (400, True, True)
    status, html = browser.ask("/decide/99/undo", by="Mara")
    assert (status, "Es gibt keine Entscheidung 99." in html) == (400, True)


def test_what_has_no_german_is_marked_as_english() -> None:
    assert told(worded("Not a fault"), GERMAN) == "Kein Fehler"
    assert told("<a mistake>", GERMAN) == '<span lang="en">&lt;a mistake&gt;</span>'
    assert told("<a mistake>", Cells()) == "&lt;a mistake&gt;"


def test_lines_and_end_of_long_work_are_said_in_german(browser: Browser) -> None:
    """They come from another process, as JSON with the places of messages kept."""
    line = worded("{n} rows were refused; 'afterclear rejections' lists them.", n=1200)
    sent = json.dumps(packed(file_line("stored", "a.csv", line)))
    browser.bench.piece = piece = Piece(
        worded("Load {name}", name="a.csv"), lines=[line_told(sent)]
    )
    piece.fail()
    piece.conclude()
    html = browser.get("/bench")
    assert "Geladen: a.csv  Abgelehnte Zeilen: 1200." in html
    assert "Es wurde nicht fertig; warum, sagt die letzte Zeile." in html
    assert 'lang="en"' not in html
    told = browser.get("/bench/lines")
    assert json.loads(told.splitlines()[0].removeprefix("data: "))[1] == "de"
    browser.bench.piece = None


@pytest.mark.slow
def test_a_file_is_asked_about_in_german(browser: Browser) -> None:
    """A question, its choices and what its columns look like come from the reading process."""
    rows = "vehicle;date;odometer km;module;code\n" + "".join(
        f"M-{n};0{n}/04/2025;{n}0123;engine;P030{n}\n" for n in range(1, 6)
    )
    html = browser.get(f"/bring/{browser.bring('yard.csv', rows)}")
    assert "Was steht in einem Datum wie 01/04/2025 zuerst?" in html
    assert "1. April 2025 (Tag zuerst) oder 4. Januar 2025 (Monat zuerst)" in html
    assert "Steuergeräte: engine" in html
    assert "Fehlercodes: P0301" in html
    letter = browser.get(f"/bring/{browser.bring('letter.txt', 'Dear all')}")
    assert 'class="told"><span lang="en">' not in letter
    for upload in browser.uploads.waiting():
        browser.uploads.drop(upload.number)


def test_what_stands_in_a_message_is_said_as_it_is_and_a_message_within_is_translated() -> None:
    text = worded("{vehicle} never showed a code {code}{unit}. Codes it showed: {shown}.",
        vehicle="{code} <b>", code="P0301", unit="", shown=worded("none"))  # fmt: skip
    assert said(text, GERMAN) == "{code} <b> hat nie den Code P0301 gezeigt. Gezeigte Codes: keine."
    assert said(text, Cells()) == text
