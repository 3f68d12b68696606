"""The pages in another language: whole catalogues, CLDR numbers and dates, German pages."""

import string
from dataclasses import replace
from datetime import UTC, date, datetime
from html.parser import HTMLParser

import html5lib
import pytest
from babel.dates import format_skeleton, get_month_names
from babel.messages.catalog import Catalog, Message
from babel.messages.mofile import read_mo
from babel.numbers import format_decimal

from afterclear.digest.input.frames import DigestSettings
from afterclear.wording.cells import Cells
from afterclear.wording.language import MARKS, Language
from tests.digest.every_row import build_digest, render_digest
from tests.digest.fleet_fixture import fleet
from tests.digest.messages import all_messages, catalogue, po_path

OTHERS = [language for language in MARKS if language != "en"]


def texts(found: Catalog) -> list[Message]:
    return [message for message in found if message.id]


def words(value: str | tuple[str, ...]) -> tuple[str, ...]:
    return (value,) if isinstance(value, str) else tuple(value)


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("language", OTHERS)
def test_every_text_of_the_pages_has_its_translation(language: str) -> None:
    own = {message.id: message for message in texts(catalogue(language))}
    asked = {message.id for message in texts(all_messages())}
    assert asked == set(own), "run python -m tests.digest.messages, translate, --compile"
    assert [message.id for message in own.values() if not all(words(message.string))] == []


@pytest.mark.parametrize("language", OTHERS)
def test_a_translation_has_the_places_of_its_text(language: str) -> None:
    for message in texts(catalogue(language)):
        wanted = set().union(*(places(text) for text in words(message.id)))
        for text in words(message.string):
            assert places(text) == wanted, message.id


@pytest.mark.parametrize("language", OTHERS)
def test_the_compiled_catalogue_is_that_of_the_texts(language: str) -> None:
    with po_path(language).with_suffix(".mo").open("rb") as file:
        read = {words(m.id): words(m.string) for m in texts(read_mo(file))}
    assert read == {words(m.id): words(m.string) for m in texts(catalogue(language))}


@pytest.mark.parametrize("language", list(MARKS))
def test_numbers_and_months_are_those_of_the_common_locale_data(language: str) -> None:
    """Unicode CLDR, as Babel ships it."""
    for value in (0, 7, 999, 1_000, 41_310.4, 1_234_567.8):
        expected = format_decimal(round(value), locale=language)
        assert Language(language).number(value) == expected
        assert Language(language).number(value, 1) == format_decimal(
            value, format="#,##0.0", locale=language
        )
    months = get_month_names("abbreviated", "format", language)
    assert MARKS[language].months == tuple(months[i] for i in range(1, 13))


def test_a_german_day_is_written_as_in_the_common_locale_data() -> None:
    """English ones stand in the order day, month, year, as most of the world reads them."""
    for on in (date(2025, 5, 3), date(2026, 12, 24), date(2024, 9, 10)):
        expected = format_skeleton("yMMMd", on, locale="de")
        assert Cells(language="de").day(on).replace("\u00a0", " ") == expected
    assert Cells().day(date(2025, 5, 3)) == "3\u00a0May\u00a02025"


def test_a_count_follows_the_language() -> None:
    german = Language("de")
    assert german.tn("{n} scan", "{n} scans", 1) == "1\u00a0Auslesung"
    assert german.tn("{n} scan", "{n} scans", 1_200) == "1.200\u00a0Auslesungen"


def test_values_are_not_read_as_places() -> None:
    """A name with braces is a name."""
    assert Language("de").t("scan {scan}", scan="{n}{0}") == "Auslesung {n}{0}"


@pytest.fixture(scope="module")
def german() -> dict[str, str]:
    settings = DigestSettings(fleet_name="Quillgate", language="de", zone="Europe/Berlin")
    return render_digest(build_digest(fleet(settings=settings)))


class Spoken(HTMLParser):
    """Gathers the texts a page speaks in its own language: not code, not marked as English."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._foreign: list[bool] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in {"meta", "br", "input"}:
            return
        foreign = dict(attrs).get("lang") == "en" or tag in {"code", "style", "script", "desc"}
        self._foreign.append(foreign or (bool(self._foreign) and self._foreign[-1]))

    def handle_endtag(self, _: str) -> None:
        self._foreign.pop()

    def handle_data(self, data: str) -> None:
        if data.strip() and not self._foreign[-1]:
            self.texts.append(" ".join(data.replace("\u00a0", " ").split()))


def test_a_german_page_is_german(german: dict[str, str]) -> None:
    """No text of the pages is left in English; words of the code tables are marked as such."""
    english = {
        text.strip()
        for message in texts(all_messages())
        for text in words(message.id)
        if len(text) > 6 and "{" not in text
    }
    same = {message.id for message in texts(catalogue("de")) if message.id == message.string}
    for name, html in german.items():
        assert '<html lang="de">' in html
        html5lib.HTMLParser(strict=True).parse(html)
        left = (english - same) & set(Spoken(html).texts)
        assert left == set(), name


def test_german_verdicts_name_their_scans(german: dict[str, str]) -> None:
    page = next(html for name, html in german.items() if name.startswith("vehicles/v-hx-204"))
    text = " ".join(Spoken(page).texts)
    assert "Hielt: 6 Auslesungen lasen das Steuergerät „Motor“ ohne P0301 über 42.720 km" in text


def test_a_german_noun_stays_great_in_the_legend(german: dict[str, str]) -> None:
    page = next(html for name, html in german.items() if name.startswith("vehicles/v-hx-221"))
    texts_of_page = Spoken(page).texts
    assert "unter Beobachtung" in texts_of_page
    assert "unter beobachtung" not in texts_of_page


def test_dates_are_those_of_the_readers_zone() -> None:
    late = datetime(2025, 12, 31, 23, 30, tzinfo=UTC)
    settings = DigestSettings(zone="Europe/Berlin")
    html = render_digest(build_digest(replace(fleet(), as_of=late, settings=settings)))
    assert "1\u00a0Jan\u00a02026, 00:30\u00a0CET" in html["index.html"]
