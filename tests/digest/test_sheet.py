"""The workshop sheet: what it says was tried, what not to fit, what tells the causes apart."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from afterclear.digest.build_digests import DigestModel
from afterclear.digest.common.model import Fault
from afterclear.digest.input.frames import Caution
from afterclear.digest.output.render import render_sheet
from afterclear.digest.sheet.cause_checks import check_words, way_of_failing
from afterclear.digest.sheet.sheet_model import FaultToMend, Sheet
from afterclear.digest.sheet.sheet_page import MOST_FAULTS, build_sheet
from afterclear.digest.vehicle.vehicle_model import VehiclePage
from afterclear.finding_tables.parts import Part
from afterclear.wording.cells import Cells
from tests.digest.every_row import build_digest, render_digest
from tests.digest.findings_fixture import findings
from tests.digest.fleet_fixture import fleet

PLUG = {"part_number": "KX-20", "part_brand": "Brellow", "action": "replace"}


@pytest.fixture(scope="module")
def model() -> DigestModel:
    return build_digest(fleet(findings=findings()))


@pytest.fixture(scope="module")
def page(model: DigestModel) -> VehiclePage:
    """HX-211: a misfire on cylinder 1 that came back after two orders, and is there."""
    return next(p for p in model.vehicles if p.ref.vehicle_id == "HX-211")


def sheet_of(page: VehiclePage) -> Sheet:
    sheet = build_sheet(page, Cells())
    assert sheet is not None
    return sheet


def misfire(page: VehiclePage) -> FaultToMend:
    return next(found for found in sheet_of(page).faults if found.fault.code == "P0301")


def with_parts(page: VehiclePage, *lines: dict[str, Any]) -> VehiclePage:
    """Let the orders of the page, in their order, have these parts."""
    orders = tuple(
        replace(order, lines=tuple(replace(line, **own) for line in order.lines))
        for order, own in zip(page.orders, lines, strict=True)
    )
    return replace(page, orders=orders)


def with_attempts(page: VehiclePage, **changes: object) -> VehiclePage:
    return replace(
        page,
        attempts=tuple(replace(v, row=replace(v.row, **changes)) for v in page.attempts),
    )


def test_a_vehicle_with_something_to_do_has_a_sheet_and_its_page_leads_there(
    model: DigestModel,
) -> None:
    pages = render_digest(model)
    sheets = {name for name in pages if name.startswith("sheets/")}
    asked = {p.ref.vehicle_id: p for p in model.vehicles if p.work is not None}
    assert sheets == {p.work.sheet_href for p in asked.values() if p.work}
    assert {"HX-211", "BUS-07", "VAN-40"} <= set(asked)
    for each in asked.values():
        assert each.work is not None
        assert f'href="../{each.work.sheet_href}"' in pages[each.ref.page]
        assert f'href="../{each.ref.page}"' in pages[each.work.sheet_href]


def test_a_sheet_says_what_was_tried_where_and_what_became_of_it(page: VehiclePage) -> None:
    last, first = misfire(page).tried
    assert (first.repair_id, last.repair_id) == ("WO-1102", "WO-1190")
    assert "spark plugs" in first.done
    assert first.site == "Northquay"
    row = page.attempts[-1].row  # latest first
    assert first.result == "came back " + Cells().between(row.returned_low_km, row.returned_high_km)
    assert (first.at, first.km) == (row.attempted_at, row.attempted_km)


def test_a_part_number_that_failed_twice_is_not_to_be_fitted_again(page: VehiclePage) -> None:
    twice = with_parts(page, PLUG, PLUG | {"part_number": "kx 20"})
    assert misfire(twice).not_again == (
        "kx 20 (Brellow): fitted 2\u00a0times without curing this fault.",
    )
    assert misfire(with_parts(page, PLUG, PLUG | {"part_number": "KX-21"})).not_again == ()


def test_from_the_third_part_of_a_kind_on_the_cause_behind_it_is_suspected(
    page: VehiclePage,
) -> None:
    plugs = {"part_family": "spark plugs", "position": "cylinder 1"}
    two_brands = with_parts(page, PLUG | plugs, PLUG | plugs | {"part_number": "ZD-4"})
    assert misfire(two_brands).suspect == (
        "Spark plugs cylinder 1 replaced 2\u00a0times without curing it: suspect wiring, "
        "connector or the cause behind it."
    )
    assert misfire(page).suspect is None  # plugs once, a coil once


@pytest.mark.parametrize(
    ("family", "position", "named"),
    [
        ("wheel speed sensor", "rear left", "Raddrehzahlsensor, hinten links 2"),
        ("wheel speed sensor", "RL", "Wheel speed sensor RL 2"),  # as the order has it
    ],
)
def test_a_suspected_part_is_named_in_the_readers_language(
    page: VehiclePage, family: str, position: str, named: str
) -> None:
    part = PLUG | {"part_family": family, "position": position}
    sheet = build_sheet(with_parts(page, part, part), Cells(language="de"))
    assert sheet is not None
    (said,) = [mend.suspect for mend in sheet.faults if mend.suspect]
    assert said.startswith(named)


def test_a_fault_that_came_back_and_left_by_itself_is_suspected_as_one_that_is_there(
    page: VehiclePage,
) -> None:
    """Whoever finds no code must not fit the same sensor once more, nor pass the wire by."""
    plugs = {"part_family": "spark plugs", "position": "cylinder 1"}
    twice = with_parts(page, PLUG | plugs, PLUG | plugs)
    named = " ".join(view.row.attempt_id for view in page.attempts)
    work = tuple(replace(row, attempt_ids=named) for row in page.findings.work)
    gone = replace(
        twice,
        episodes=(),
        findings=replace(page.findings, work=work),
        attempts=tuple(replace(view, present=False) for view in twice.attempts),
    )
    mend, there = misfire(gone), misfire(twice)
    assert (mend.went_away, there.went_away) == (True, False)
    assert mend.suspect == there.suspect is not None
    assert mend.checks == there.checks != ()


def test_parts_that_wore_out_are_not_blamed(page: VehiclePage) -> None:
    plugs = {"part_family": "spark plugs", "position": "cylinder 1"}
    worn = with_attempts(with_parts(page, PLUG | plugs, PLUG | plugs), p_same_fault=0.1, p_worn=0.8)
    mend = misfire(worn)
    assert mend.suspect is None
    assert mend.not_again == ()
    assert all("worn out" in visit.result for visit in mend.tried)


def test_a_short_lived_part_is_named_with_its_figures(page: VehiclePage) -> None:
    short: Sequence[Part] = page.short_lived
    assert [part.part_number for part in short] == ["KX-11"]
    fitted = with_parts(page, PLUG | {"part_number": "KX11"}, PLUG)
    (words,) = misfire(fitted).not_again
    assert words.replace("\u00a0", " ").startswith("KX-11 (Brellow) is short-lived: 6 of ")
    assert len(words) < 120, "at the vehicle nobody compares intervals"


def test_codes_that_follow_from_a_fault_stand_under_it(model: DigestModel) -> None:
    bus = next(p for p in model.vehicles if p.ref.vehicle_id == "BUS-07")
    sheet = sheet_of(bus)
    heads = [found.fault.code for found in sheet.faults]
    under = [code.code for found in sheet.faults for code in found.followers]
    assert sheet.cautions
    assert heads[0] == "C0034"
    assert not set(heads) & set(under)


def test_a_sheet_has_room_for_a_few_faults_and_names_the_others(page: VehiclePage) -> None:
    found = page.episodes[-1]
    many = tuple(
        replace(
            found,
            row=replace(found.row, code=f"P03{n:02}", ended_by="open", family=None),
            fault=replace(found.fault, code=f"P03{n:02}"),
        )
        for n in range(20, 20 + MOST_FAULTS + 2)
    )
    sheet = sheet_of(replace(page, episodes=many))
    assert len(sheet.faults) == MOST_FAULTS
    assert len(sheet.further) == 2
    assert all(fault.code in render_sheet(sheet) for fault in sheet.further)


def test_what_came_back_and_went_away_by_itself_is_not_called_unproven(page: VehiclePage) -> None:
    """P-218 of the demo: its sheet said "not proven since" beside "Came back within 1,055 km"."""
    gone = replace(
        page,
        episodes=(),
        attempts=tuple(replace(view, present=False) for view in page.attempts),
        findings=replace(
            page.findings,
            work=tuple(
                replace(row, attempt_ids=page.attempts[0].row.attempt_id)
                for row in page.findings.work
            ),
        ),
    )
    assert page.attempts[0].row.outcome == "came_back"
    html = render_sheet(sheet_of(gone))
    assert "gone again with no work on record" in html
    assert "not proven since" not in html


def test_a_vehicle_with_an_hour_meter_alone_is_asked_for_hours(model: DigestModel) -> None:
    plant = next(p for p in model.vehicles if p.ref.vehicle_id == "PLANT-3")
    work = next(p.work for p in model.vehicles if p.work is not None)
    km = (plant.head.hour_km or 0.0) * 40
    read = replace(plant, work=work, log=tuple(replace(line, km=km) for line in plant.log))
    html = render_sheet(sheet_of(read)).replace("\u00a0", " ")
    assert html.count("Hour meter, as displayed") == 2
    assert '<dd class="reading">40 h, ' in html
    assert "Odometer" not in html


def test_the_odometer_is_shown_as_displayed_and_says_whose_reading_it_is(
    page: VehiclePage,
) -> None:
    last = page.readings[-1]
    aside = replace(last, read_at=last.read_at + timedelta(days=1), set_aside="single")
    sheet = sheet_of(replace(page, readings=(*page.readings, aside)))
    assert sheet.odometer == last
    assert f"(scan {last.origin_id})" in render_sheet(sheet).replace(
        '<span class="id">', ""
    ).replace("</span>)", ")")


@pytest.mark.parametrize(
    ("code", "meaning", "way"),
    [
        # SAE J2012 and ISO 15031-6: the first digit of the failure type; from memory
        ("C0034-11", None, "short"),
        ("C0034-13", None, "open"),
        ("C0034-1E", None, "electrical"),
        ("C0031-2F", None, "signal"),
        ("U0300-54", None, "setup"),
        ("U0121-87", None, "network"),
        ("P0087-96", None, "component"),
        # SAE J1939-73, as the table of failure mode identifiers has them
        ("SPN 1761 FMI 3", None, "electrical"),
        ("SPN 84 FMI 19", None, "network"),
        ("SPN 102 FMI 18", None, "effect"),
        # the words of the tables
        ("P0671", "glow plug, cylinder 1: circuit", "electrical"),
        ("P0133", "oxygen sensor, bank 1 sensor 1: slow", "signal"),
        ("P0301", "misfire, cylinder 1", "effect"),
    ],
)
def test_a_code_says_in_which_way_something_failed(
    code: str, meaning: str | None, way: str
) -> None:
    assert way_of_failing(code, meaning) == way


def test_nothing_is_to_be_unplugged_where_a_caution_holds() -> None:
    igniter = Fault("airbag", "B0001-11", "front airbag: short to ground", None, ())
    assert "Unplug the part" in check_words(igniter, Cells())
    words = check_words(replace(igniter, cautions=(Caution("Airbags", "They fire."),)), Cells())
    assert "unplug and measure nothing" in words
    assert "maker's procedure" in words
