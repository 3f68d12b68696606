"""Pages of a fleet too large for one: long tables cut, lists divided, fewer vehicles' pages."""

import json
import re
from dataclasses import replace
from html import unescape

import html5lib
import pytest

from afterclear.digest import build_digests
from afterclear.digest.build_digests import DigestModel
from afterclear.digest.common.choosing import MOST
from afterclear.digest.common.model import by_site
from afterclear.digest.input.frames import DigestSettings
from afterclear.digest.output.render import render_fleet, render_index
from afterclear.wording.cells import Dash
from tests.digest.every_row import build_digest, render_digest
from tests.digest.findings_fixture import findings
from tests.digest.fleet_fixture import fleet, many
from tests.digest.test_render import Reader

MORE = 7


@pytest.fixture(scope="module")
def large() -> DigestModel:
    return build_digest(many(MOST + MORE, scans_each=12))


def dead_links(pages: dict[str, str]) -> list[tuple[str, str]]:
    """Name every link that leads to no page."""
    dead = []
    for name, html in pages.items():
        folder = name.rpartition("/")[0]
        for link in Reader(html).values("href"):
            path = link.partition("#")[0]
            here = path.removeprefix("../") if folder else path
            if path and here not in pages:
                dead.append((name, link))
    return dead


def test_a_long_table_is_cut_and_says_how_many_more_there_are(large: DigestModel) -> None:
    """Every vehicle has a fix on watch and a fault there: none is dropped without a word."""
    page = large.fleet
    assert page is not None
    assert (len(page.on_watch), page.n_on_watch) == (MOST, MOST + MORE)
    assert (len(page.work.shown), page.work.n_bring_in) == (MOST, MOST + MORE)
    html = render_fleet(page).replace("\u00a0", " ")
    assert f"{MORE} more are not shown here. All of them:" in html
    assert f"Bring in {MOST + MORE} vehicles" in html


def test_what_is_shown_of_a_long_table_are_the_first_of_its_order(large: DigestModel) -> None:
    page = large.fleet
    assert page is not None
    due = [view.due.on for view in page.on_watch if view.due is not None]
    dated = [on for on in due if not isinstance(on, Dash)]
    assert due[: len(dated)] == sorted(dated)
    assert dated


def test_only_named_vehicles_have_a_page_and_no_link_is_dead() -> None:
    """What the pages say is the same; the index lists whom they name and counts the others."""
    told = findings()
    settings = DigestSettings(vehicle_pages="named")
    every = render_digest(build_digest(fleet(findings=told, settings=DigestSettings())))
    named = render_digest(build_digest(fleet(findings=told, settings=settings)))
    assert named.keys() < every.keys()
    assert all(html == every[name] for name, html in named.items() if name != "index.html")
    assert dead_links(named) == []
    n_more = len(every) - len(named)
    index = named["index.html"].replace("\u00a0", " ")
    assert f"{n_more} more vehicles, which no digest names" in index
    assert "<code>afterclear vehicle ID</code>" in index
    html5lib.HTMLParser(strict=True).parse(named["index.html"])


def test_vehicles_named_by_a_page_that_is_not_written_need_no_page() -> None:
    settings = DigestSettings(vehicle_pages="named")
    frames = fleet(findings=findings(), settings=settings)
    of_stock = render_digest(build_digest(replace(frames, audiences=("stock",))))
    assert dead_links(of_stock) == []
    assert len(of_stock) < len(render_digest(build_digest(frames)))


@pytest.fixture
def divided(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Render a fleet listed by fives."""
    monkeypatch.setattr(build_digests, "LIST", 5)
    return render_digest(build_digest(fleet(findings=findings())))


def test_the_index_file_of_a_large_fleet_has_every_vehicle_with_what_it_is_looked_for_by(
    divided: dict[str, str],
) -> None:
    told = divided["vehicles/fleet-index.js"].partition("window.afterclearFleet=")[2]
    index = json.loads(told.strip().removesuffix(";"))
    pages = {page for page in divided if page.startswith("vehicles/v-")}
    assert {row[2] for row in index["vehicles"]} == pages
    (row,) = [row for row in index["vehicles"] if row[0] == "HX-211"]
    names = [index["components"][place] for place in row[5]]
    assert "Northquay" in row[3]
    assert (row[4], row[6]) == ("P0301", 1)
    assert "misfire" in " ".join(names) or "ignition coil" in " ".join(names)


def test_a_page_may_load_the_index_file_and_nothing_else(divided: dict[str, str]) -> None:
    policies = {
        name: re.findall(r"script-src ([^;]*);", unescape(html))
        for name, html in divided.items()
        if name.endswith(".html")
    }
    ((own,),) = [found for name, found in policies.items() if name == "index.html"]
    assert re.fullmatch(r"'sha256-[^']+' 'self' file:", own)
    others = [word for name, found in policies.items() if name != "index.html" for word in found]
    assert not [word for word in others if "self" in word or "file:" in word]


def test_a_list_is_divided_by_site_and_has_every_vehicle_once() -> None:
    """Those of no known site come last; a short list, or one of a single site, stays whole."""
    model = build_digest(fleet(findings=findings()))
    lines = model.index.vehicles
    nowhere = replace(lines[0], vehicle=replace(lines[0].vehicle, site=None))
    groups = by_site((nowhere, *lines[1:]))
    assert [group.site for group in groups] == [
        *sorted({x.vehicle.site or "" for x in lines}),
        None,
    ]
    found = [line.vehicle.vehicle_id for group in groups for line in group.vehicles]
    assert sorted(found) == [line.vehicle.vehicle_id for line in lines]
    assert sum(group.n_present for group in groups) == sum(line.n_present > 0 for line in lines)
    assert by_site(lines[:7]) == by_site(groups[0].vehicles * 9) == ()


def test_a_german_site_has_vehicles_in_the_nominative() -> None:
    """It said "18 Fahrzeugen": the text is shared with "on 18 vehicles"."""
    settings = DigestSettings(language="de")
    html = render_index(build_digest(fleet(findings=findings(), settings=settings)).index)
    (first, *_) = re.findall(r"<summary>(.*?)</summary>", html.replace("\u00a0", " "))
    assert re.search(r"\d+ Fahrzeuge\b", first)


def test_a_large_fleet_is_listed_on_several_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every vehicle is on exactly one list; every page is reached from the index."""
    monkeypatch.setattr(build_digests, "LIST", 5)
    model = build_digest(fleet(findings=findings()))
    pages = render_digest(model)
    lists = [name for name in pages if name.startswith("vehicles/list-")]
    assert lists == ["vehicles/list-001.html", "vehicles/list-002.html", "vehicles/list-003.html",
                     "vehicles/list-004.html"]  # fmt: skip
    assert dead_links(pages) == []
    listed = [line.vehicle.vehicle_id for page in model.lists for line in page.vehicles]
    assert listed == list(model.vehicles.vehicle_ids)
    reached = {
        link for name in (*lists, "index.html") for link in Reader(pages[name]).values("href")
    }
    assert {name for name in pages if name.startswith("vehicles/v-")} <= {
        link.removeprefix("../") for link in reached
    }
    for name in (*lists, "index.html"):
        html5lib.HTMLParser(strict=True).parse(pages[name])
