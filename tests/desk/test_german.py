"""The desk in another language: a page speaks it as a whole, or English as a whole."""

import copy
import gettext
import re
from dataclasses import replace
from pathlib import Path

import html5lib
import pytest

import afterclear.desk
from afterclear.commands.app import App
from afterclear.config import Digest
from afterclear.desk.speech.speaking import SPOKEN, cells_on, said
from afterclear.errors import worded
from afterclear.wording.cells import Cells
from tests.desk.test_desk import Browser
from tests.digest.messages import LOCALE
from tests.digest.test_language import Spoken

TEMPLATES = Path(afterclear.desk.__file__).parent / "templates"
GERMAN = Cells(language="de")
# in every language alike: a command, and the note on pages that are English only
ALIKE = {"afterclear init DIR", "Diese Seite gibt es bisher nur auf Englisch."}
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


@pytest.mark.parametrize("name", sorted({*SPOKEN, "base.html", "macros.html"}))
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
        *("/bring", "/maps", "/trail", "/forget?vehicle=M-106"),
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


@pytest.mark.parametrize("place", ["/refused", "/loads", "/bench"])
def test_a_page_that_is_english_only_is_english_and_says_so(browser: Browser, place: str) -> None:
    html = browser.get(place)
    assert '<html lang="en">' in html
    assert ">What was loaded</a>" in html
    assert html.count('lang="de">Diese Seite gibt es bisher nur auf Englisch.') == 1


def test_a_form_that_is_not_kept_says_so_in_german(browser: Browser) -> None:
    status, html = browser.ask("/decide", word="accept", by="Mara")
    assert (status, "Die Zeilen ankreuzen" in html, '<html lang="de">' in html) == (400, True, True)
    status, html = browser.ask("/decide/99/undo", by="Mara")
    assert (status, "Es gibt keine Entscheidung 99." in html) == (400, True)


def test_a_page_that_tells_what_has_no_german_is_english() -> None:
    assert cells_on("work.html", {"problem": worded("Not a fault")}, GERMAN).language == "de"
    assert cells_on("work.html", {"problem": "a mistake"}, GERMAN).language == "en"
    assert cells_on("refused.html", {}, GERMAN).language == "en"


def test_what_stands_in_a_message_is_said_as_it_is_and_a_message_within_is_translated() -> None:
    text = worded("{vehicle} never showed a code {code}{unit}. Codes it showed: {shown}.",
        vehicle="{code} <b>", code="P0301", unit="", shown=worded("none"))  # fmt: skip
    assert said(text, GERMAN) == "{code} <b> hat nie den Code P0301 gezeigt. Gezeigte Codes: keine."
    assert said(text, Cells()) == text
