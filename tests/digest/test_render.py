"""Pages as HTML: valid, self-contained, linked, and closed to whatever comes from outside."""

import hashlib
import re
from base64 import b64encode
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from xml.etree.ElementTree import Element

import html5lib
import pytest

from afterclear.digest.output.page_style import TEMPLATES
from afterclear.wording.facts import ASIDE_WORDS
from tests.digest.every_row import build_digest, render_digest
from tests.digest.findings_fixture import findings
from tests.digest.fleet_fixture import fleet, frames_of
from tests.digest.hostile_fixture import EVIL_IDS, hostile, long_history
from tests.digest.story import Story, vehicle

OVERVIEWS = {"fleet.html", "garage.html", "stock.html", "index.html"}


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    return render_digest(build_digest(fleet(findings=findings())))


@pytest.fixture(scope="module")
def evil_pages() -> dict[str, str]:
    return render_digest(build_digest(hostile()))


class Reader(HTMLParser):
    """Gathers tags, links, targets and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def values(self, name: str) -> list[str]:
        return [value for _, attrs in self.tags if (value := attrs.get(name)) is not None]


def test_every_page_is_valid_html(pages: dict[str, str], evil_pages: dict[str, str]) -> None:
    """A strict parse raises at the first error of the HTML standard's parsing rules."""
    for html in (*pages.values(), *evil_pages.values()):
        html5lib.HTMLParser(strict=True).parse(html)


def test_ids_are_unique_and_every_link_leads_somewhere(pages: dict[str, str]) -> None:
    for name, html in pages.items():
        reader = Reader(html)
        ids = reader.values("id")
        assert len(ids) == len(set(ids)), name
        folder = name.rpartition("/")[0]
        for link in reader.values("href"):
            path, _, target = link.partition("#")
            if not path:
                assert target in ids, (name, link)
                continue
            here = path.removeprefix("../") if folder else path
            assert here in pages, (name, link)


def test_references_between_labels_hold(pages: dict[str, str]) -> None:
    for name, html in pages.items():
        reader = Reader(html)
        ids = set(reader.values("id"))
        for attribute in ("aria-labelledby", "aria-describedby"):
            for value in reader.values(attribute):
                assert set(value.split()) <= ids, (name, value)


def test_a_page_asks_for_nothing_and_runs_nothing(pages: dict[str, str]) -> None:
    for name, html in pages.items():
        reader = Reader(html)
        scripts = ["script"] if name in OVERVIEWS else []  # it sorts and finds, nothing else
        assert [tag for tag, _ in reader.tags if tag == "script"] == scripts
        assert {tag for tag, _ in reader.tags}.isdisjoint(
            {"link", "img", "iframe", "object", "form", "base"}
        )
        assert not reader.values("src")
        assert not reader.values("style")
        assert not re.search(r"https?:|@import|url\((?!#)", html)
        assert not [key for _, attrs in reader.tags for key in attrs if key.startswith("on")]


def test_the_page_allows_its_own_style_sheet_and_nothing_else(pages: dict[str, str]) -> None:
    html = next(html for name, html in pages.items() if name.startswith("vehicles/v-"))
    found = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    assert found is not None
    own = b64encode(hashlib.sha256(found[1].encode()).digest()).decode()
    policy = next(
        attrs["content"]
        for tag, attrs in Reader(html).tags
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{own}'; base-uri 'none'; form-action 'none'"
    )


def test_a_page_has_every_rule_it_needs_and_no_sign_is_missing(pages: dict[str, str]) -> None:
    """Rules and signs that a page does not use are left out, and nothing else."""
    sheet = re.sub(r"/\*.*?\*/", "", (TEMPLATES / "style.css").read_text("utf-8"), flags=re.DOTALL)
    selectors = {part.strip() for part in re.split(r"[{},;]", sheet) if part.strip()[:1] == "."}
    for name, html in pages.items():
        reader = Reader(html)
        style = html[html.index("<style>") : html.index("</style>")]
        used = {word for value in reader.values("class") for word in value.split()}
        met = [s for s in selectors if used.issuperset(re.findall(r"\.([a-z][\w-]*)", s))]
        assert len(met) > 10
        assert [s for s in met if re.sub(" ?> ?", ">", s) not in style] == [], name
        assert style.count("{") == style.count("}")
        signs = {attrs["id"] for tag, attrs in reader.tags if tag in {"symbol", "marker"}}
        drawn = {attrs.get("href", "") for tag, attrs in reader.tags if tag == "use"}
        assert {f"#{sign}" for sign in signs if sign and not sign.startswith("at-")} == drawn, name
    assert ".matrix" not in next(pages[name] for name in pages if name.startswith("vehicles/"))


def test_the_bar_of_sections_leads_to_each_in_order(pages: dict[str, str]) -> None:
    for name in ("fleet.html", "garage.html", "stock.html"):
        bar = pages[name].split('class="sections"')[1].split("</nav>")[0]
        heads = re.findall(r'<h2 id="([^"]+)"', pages[name])
        sheets = re.findall(r'aria-labelledby="([^"]+)" class="sheet"', pages[name])
        assert Reader(bar).values("href") == [f"#{h}" for h in heads if h not in sheets]


def test_a_name_cannot_leave_the_style_sheet_it_stands_in(evil_pages: dict[str, str]) -> None:
    """On paper a page's title stands above every sheet, by a rule of its style."""
    heads = [re.findall(r'@top-left\{content:"([^"]*)"\}', html) for html in evil_pages.values()]
    assert all(len(found) == 1 for found in heads)
    assert not re.search(r"[^\w ,.\\-]", "".join(found for (found,) in heads))


def test_nothing_from_outside_becomes_markup(evil_pages: dict[str, str]) -> None:
    for html in evil_pages.values():
        reader = Reader(html)
        own = int('id="main" data-find' in html)  # pages with long tables have a script of ours
        assert [tag for tag, _ in reader.tags].count("script") == own
        assert not [key for _, attrs in reader.tags for key in attrs if key.startswith("on")]
        assert not [link for link in reader.values("href") if "javascript" in link]
        assert "49" not in reader.texts, "a template in a name is text"


def test_what_a_page_cannot_carry_is_shown_replaced(evil_pages: dict[str, str]) -> None:
    text = "".join(Reader(evil_pages["index.html"]).texts)
    assert "nul\ufffdbyte" in text
    assert "\ufffdgnorw" in text
    assert "\x00" not in text
    assert "\u202e" not in text


def test_every_evil_vehicle_has_its_page(evil_pages: dict[str, str]) -> None:
    assert len([name for name in evil_pages if name.startswith("vehicles/v-")]) == len(EVIL_IDS)


def test_every_picture_has_a_table_behind_it(pages: dict[str, str]) -> None:
    for name, html in pages.items():
        pictures = html.count('role="img"')
        # each picture stands twice, for wide and narrow screens; those of the sheet for a meeting
        # have their tables on the page it is made from
        behind = pages["garage.html"] if name == "quality_sheet.html" else html
        assert behind.count("<table") >= pictures / 2, name
        assert behind is html or 'href="garage.html"' in html


def test_each_verdict_has_its_sentence_on_the_vehicles_page() -> None:
    model = build_digest(fleet())
    rendered = render_digest(model)
    for page in model.vehicles:
        text = "".join(Reader(rendered[page.ref.page]).texts)
        history, _, fixes = rendered[page.ref.page].partition(' id="fixes"')
        for view in page.attempts:
            assert view.reason in text
            assert f"The scans behind it ({len(view.evidence)})" in fixes or not view.evidence
            for row in view.evidence:
                assert f'Scan <span class="id">{row.scan_id}</span>' in history


def test_the_first_screen_says_what_to_do(pages: dict[str, str]) -> None:
    text = " ".join("".join(Reader(pages["fleet.html"]).texts).split())
    assert (
        "Bring in 2 vehicles, 1 of them not to be driven, 1 of them for safety. Scan 1 more" in text
    )
    assert "whether the vehicle may be driven to the workshop" in text
    assert "2 to bring in 1 to scan next" in text
    assert "1 fault came back" in text
    assert "2 fixes proven" in text


def test_an_empty_store_says_so() -> None:
    pages = render_digest(build_digest(frames_of([])))
    fleet_text = " ".join("".join(Reader(pages["fleet.html"]).texts).split())
    assert "Since the last digest" not in fleet_text  # there is none before it
    assert "No repair or clear of a code has been loaded yet." in fleet_text
    assert "No vehicle has been loaded yet." in pages["index.html"]
    for html in pages.values():
        html5lib.HTMLParser(strict=True).parse(html)


def test_miles_are_miles_everywhere() -> None:
    pages = render_digest(build_digest(fleet(units="mi")))
    for html in pages.values():
        text = "".join(Reader(html).texts)
        assert not re.search(r"\d\u00a0km\b", text)


def test_the_same_frames_give_the_same_bytes() -> None:
    assert render_digest(build_digest(fleet())) == render_digest(build_digest(fleet()))


def test_rows_in_another_order_give_the_same_bytes() -> None:
    frames = fleet()
    shuffled = replace(
        frames,
        evidence=frames.evidence.reverse(),
        attempts=frames.attempts.sort("attempted_at", "attempt_id", descending=True),
        vehicles=frames.vehicles.reverse(),
    )
    assert render_digest(build_digest(shuffled)) == render_digest(build_digest(frames))


def test_a_long_history_stays_readable_in_size() -> None:
    """284 scans of 8 control units; the log is one line a scan."""
    pages = render_digest(build_digest(long_history()))
    assert max(len(html.encode()) for html in pages.values()) < 600_000


def test_every_reason_to_set_a_reading_aside_has_its_words() -> None:
    assert set(ASIDE_WORDS) == {"single", "units", "decimal", "jump", "lasting_drop"}


def test_a_vehicle_without_any_scan_has_a_page_that_says_so() -> None:
    pages = render_digest(build_digest(frames_of([Story(vehicle("a-1", "Haul 7", "Northquay"))])))
    text = " ".join("".join(Reader(pages["vehicles/v-a-1.html"]).texts).split())
    assert "Nothing to do now. Never scanned." in text
    assert "Nothing can be said about this vehicle: no scan has read it." in text


_WHOLE = {"id", "code", "plate", "vehicle", "vehicle short"}  # their style says nowrap


def test_no_identifier_breaks_across_lines(pages: dict[str, str]) -> None:
    """Vehicle, plate, order, scan, part and code stand in elements whose style keeps them whole."""
    frames = fleet()
    names = {
        name
        for table, columns in (
            ("vehicles", ("vehicle_id", "plate")),
            ("repairs", ("repair_id", "part_number")),
            ("evidence", ("scan_id",)),
            ("episodes", ("code",)),
        )
        for column in columns
        for name in getattr(frames, table)[column].drop_nulls().unique()
    }
    word = re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, names))})(?![\w-])")
    torn = []
    for page, html in pages.items():
        body = html5lib.parse(html, namespaceHTMLElements=False).find("body")
        for element, text in _texts(body):
            if element.get("class") not in _WHOLE:
                torn += [(page, found, text.strip()[:60]) for found in word.findall(text)]
    assert len(names) > 40
    assert torn == []


def _texts(element: Element) -> Iterator[tuple[Element, str]]:
    """Yield every shown text with the element it stands in; pictures and commands apart."""
    if element.tag.rpartition("}")[2] in {"svg", "script", "code"}:
        return
    yield element, element.text or ""
    for child in element:
        yield from _texts(child)
        yield element, child.tail or ""
