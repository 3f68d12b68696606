"""Findings on the fleet, stock and vehicle pages."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime

import html5lib
import polars as pl
import pytest

from afterclear.digest.build_digests import DigestModel
from afterclear.digest.input.findings_by_page import read_findings
from afterclear.digest.output.render import render_fleet, render_stock, render_vehicle
from afterclear.digest.vehicle.codes_by_scan import scan_roles, untold
from afterclear.digest.vehicle.vehicle_page import further_reasons
from afterclear.finding_tables.roles import Leftover, Role
from tests.digest.every_row import build_digest, render_digest
from tests.digest.findings_fixture import ROWS, findings
from tests.digest.fleet_fixture import fleet
from tests.digest.test_render import OVERVIEWS

MARKS = {("stock", "VAN-31"): "hold", ("stock", "VAN-34"): "rescan", ("stock", "VAN-45"): "ready"}


@pytest.fixture(scope="module")
def model() -> DigestModel:
    return build_digest(fleet(findings=findings(), said_before=MARKS))


@pytest.fixture(scope="module")
def pages(model: DigestModel) -> dict[str, str]:
    return render_digest(model)


def test_every_page_with_findings_is_valid_html(pages: dict[str, str]) -> None:
    for html in pages.values():
        html5lib.HTMLParser(strict=True).parse(html)
        assert not re.search(r"<ul[^>]*>\s*</ul>", html)


def test_the_ranked_list_is_the_analysis_s_own(model: DigestModel) -> None:
    assert model.fleet is not None
    listed = [
        (item.vehicle.vehicle_id, item.action, item.safety) for item in model.fleet.work.shown
    ]
    assert listed == [
        ("BUS-07", "bring_in", True),
        ("HX-211", "bring_in", False),
        ("VAN-40", "scan", True),
    ]
    assert [c.title for c in model.fleet.work.shown[0].cautions] == ["Brakes"]
    assert model.fleet.n_set_aside == 1


def test_the_matrix_counts_by_vehicle_and_component(model: DigestModel) -> None:
    assert model.fleet is not None
    matrix = model.fleet.faults.matrix
    assert matrix is not None
    assert matrix.families == ("misfire", "EGR flow")
    counted = {
        ref.vehicle_id: [(c.n_episodes, c.flagged) if c else None for c in cells]
        for ref, cells in matrix.rows
    }
    assert counted == {
        "HX-211": [(5, True), (2, False)],
        "HX-217": [None, (4, True)],
    }


def test_what_all_rows_say_alike_stands_once_below_them() -> None:
    base = ROWS["recurring"][0] | {"flagged": True}
    other = base | {"vehicle_id": "HX-217"}
    for rows, n_once in (([base, other], 1), ([base, other | {"peers": "engine"}], 2)):
        page = build_digest(fleet(findings=findings({**ROWS, "recurring": rows}))).fleet
        assert page is not None
        assert render_fleet(page).count("Similar means:") == n_once


def test_a_vehicle_without_a_box_filled_is_no_row_of_the_matrix() -> None:
    """Ten components are shown; who only has codes of others is counted as left out."""
    base = ROWS["recurring"][0]
    rows = [
        base | {"code": f"P1{i:03}", "family": f"f{i}", "family_label": f"part {i}"}
        for i in range(10)
    ]
    rare = base | {"vehicle_id": "HX-217", "family": "rare", "family_label": "rare part"}
    made = findings({**ROWS, "recurring": [*rows, rare | {"n_episodes": 2}]})
    fleet_page = build_digest(fleet(findings=made)).fleet
    assert fleet_page is not None
    matrix = fleet_page.faults.matrix
    assert matrix is not None
    assert [ref.vehicle_id for ref, _ in matrix.rows] == ["HX-211"]
    assert (matrix.n_vehicles_left_out, matrix.n_families_left_out) == (1, 1)
    text = render_fleet(fleet_page).replace("\u00a0", " ")
    assert "Not in this chart: 1 more vehicle and 1 more component; see the table." in text


def test_a_fault_set_aside_by_a_decision_is_not_called_sold(pages: dict[str, str]) -> None:
    page = next(html for name, html in pages.items() if name.startswith("vehicles/v-bus-15"))
    assert "are set aside by a decision on record" in page
    assert "Sold;" not in page


def test_no_page_marks_a_matter_of_safety_without_its_caution(pages: dict[str, str]) -> None:
    """Vehicles' pages of work long done apart: there nobody is sent to the vehicle."""
    for name in ("garage.html", "stock.html"):
        html = pages[name]
        assert 'class="safety"' in html, name
        cautions = re.findall(r'<p class="caution".*?</p>', html)
        assert cautions, name
        assert len(cautions) == len(set(cautions)), name


def test_trends_are_counted_and_only_the_worsening_named(model: DigestModel) -> None:
    assert model.fleet is not None
    (trends,) = (section for section in model.fleet.sections if section.name == "worsening")
    assert [line.vehicle.vehicle_id for line in trends.lines] == ["HX-211"]
    assert trends.tally == "Getting better: 1. Without a trend: 1. Too few faults to say: 1."


def test_stock_is_told_by_verdict_with_its_reasons_in_their_order(model: DigestModel) -> None:
    stock = model.stock
    assert stock is not None
    assert [line.row.vehicle_id for line in (*stock.hold, *stock.rescan, *stock.ready)] == [
        "VAN-40",
        "VAN-34",
        "VAN-31",
    ]
    assert [reason.position for reason in stock.rescan[0].reasons] == [1, 2]


def test_the_page_of_a_vehicle_in_stock_opens_with_its_verdict(model: DigestModel) -> None:
    """A scan settles nothing where it is held back; a ready one has more to say than nothing."""
    leads = {
        page.vehicle.vehicle_id: render_vehicle(page).partition('class="lead"')[2][:400]
        for page in model.vehicles
    }
    assert "Hold this vehicle back" in leads["VAN-40"]
    assert "Scan this vehicle again before it is sold." in leads["VAN-34"]
    assert "Ready: nothing speaks against it." in leads["VAN-31"]


def test_stock_says_what_changed_since_the_digest_before(model: DigestModel) -> None:
    stock = model.stock
    assert stock is not None
    assert [(line.row.vehicle_id, line.before) for line in stock.changed] == [("VAN-31", "hold")]
    assert [ref.vehicle_id for ref in stock.gone] == ["VAN-45"]
    text = render_stock(stock).replace("\u00a0", " ")
    assert "Hold back, now Ready" in text


def test_echoes_stand_under_their_fault(model: DigestModel) -> None:
    page = next(page for page in model.vehicles if page.ref.vehicle_id == "BUS-07")
    (scan,) = page.roles
    assert scan.scan_id == "S-2", "the earlier scan has no echo"
    assert [(g.head.code, [e.code for e in g.followers]) for g in scan.groups] == [
        ("C0034", ["U0121"]),
        ("B1318", []),
    ]


_LONE = Role(
    scan_id="S-1",
    vehicle_id="V",
    ecu="gateway",
    code="U0121",
    role="stands_alone",
    primary_ecu=None,
    primary_code=None,
    confidence=0.6,
    reason="only_code",
    facts="{}",
    seen_at=datetime(2025, 1, 1, tzinfo=UTC),
    basis="none",
    source=None,
    to_scan=None,
)


def test_an_echo_of_a_unit_that_was_not_read_stands_by_itself() -> None:
    lone = replace(
        _LONE,
        role="consequential",
        primary_ecu="brakes",
        primary_code="C0034",
        confidence=0.8,
        reason="target_unread",
    )
    (scan,) = scan_roles([lone])
    assert [(group.head, group.followers) for group in scan.groups] == [(lone, ())]


def test_a_code_alone_in_its_scan_is_not_told_apart_from_itself() -> None:
    """M-104 of the demo: what was only a pending sign was called "a separate fault"."""
    later = replace(_LONE, scan_id="S-9", seen_at=datetime(2025, 9, 1, tzinfo=UTC))
    head = replace(_LONE, scan_id="S-2", reason="has_followers", role="primary")
    echo = replace(
        head, ecu="body", role="consequential", primary_ecu="gateway", primary_code="U0121"
    )
    assert scan_roles([_LONE]) == ()
    assert [scan.scan_id for scan in scan_roles([later, head, echo])] == ["S-2"]


def test_what_stayed_without_its_cause_is_said_once() -> None:
    """The shown scan says it of its code already: only what it does not say is listed below."""
    outlived = replace(_LONE, ecu="gateway", code="U0121", reason="outlived_cause")
    left = [
        Leftover(
            vehicle_id="V",
            ecu=ecu,
            code="U0121",
            primary_ecu="brakes",
            primary_code="C0034",
            repair_id=None,
            repaired_at=_LONE.seen_at,
            first_scan_id="S-1",
            first_seen_at=_LONE.seen_at,
            last_seen_at=_LONE.seen_at,
            n_scans=2,
            is_open=True,
            reason="outlived_cause",
            facts="{}",
        )
        for ecu in ("gateway", "body")
    ]
    assert [row.ecu for row in untold(left, scan_roles([outlived]))] == ["body"]
    assert untold(left, ()) == tuple(left)


def test_a_vehicle_in_stock_gives_no_reason_twice(model: DigestModel) -> None:
    """What is to be done says why already; what stands out has the other reasons."""
    work = next(page.work for page in model.vehicles if page.work is not None)
    page = next(page for page in model.vehicles if page.ref.vehicle_id == "VAN-34")
    rows = page.findings.stock_reasons
    grounds = json.dumps([[row.reason, json.loads(row.facts)] for row in rows[:1]])
    told = replace(work, facts=replace(work.facts, grounds=grounds))
    assert further_reasons(page.findings, told) == rows[1:]
    assert further_reasons(page.findings, None) == rows


def test_a_decision_undone_is_not_shown(model: DigestModel, pages: dict[str, str]) -> None:
    page = next(page for page in model.vehicles if page.ref.vehicle_id == "BUS-15")
    assert [row.word for row in page.findings.decisions] == ["wait"]
    assert "filter is ordered" in pages[page.ref.page]


def test_a_table_without_its_columns_is_refused_by_name() -> None:
    broken = {"stock": findings()["stock"].drop("verdict"), "parts": pl.DataFrame({"a": [1]})}
    with pytest.raises(ValueError, match=r"parts\.part_number.*stock\.verdict"):
        read_findings(broken)


def test_only_the_audiences_asked_for_are_written() -> None:
    pages = render_digest(build_digest(fleet(findings=findings(), audiences=("stock",))))
    assert {name for name in pages if "/" not in name} == {"stock.html", "index.html"}
    assert 'href="fleet.html"' not in pages["index.html"]


def test_hostile_words_in_findings_stay_words() -> None:
    evil = "<script>alert(1)</script>\x00{{7*7}}"
    rows = {
        name: [
            {key: evil if isinstance(v, str) and key in TEXTS else v for key, v in row.items()}
            for row in found
        ]
        for name, found in ROWS.items()
    }
    quoted = json.dumps([["scan_before_work", {"code": evil, "unit": evil}]])
    rows["worklist"] = [
        {**row, "deeds": quoted, "grounds": quoted, "looks": quoted} for row in rows["worklist"]
    ]
    pages = render_digest(build_digest(fleet(findings=findings(rows))))
    for name, html in pages.items():
        html5lib.HTMLParser(strict=True).parse(html)
        assert html.count("<script>") == (name in OVERVIEWS)
        assert "<script>alert" not in html
        assert ">49" not in html


TEXTS = {"sentence", "because", "why", "action", "evidence", "name", "site", "note", "decided_by",
         "part_brand", "family_label", "meaning", "quarter", "finding"}  # fmt: skip


def test_pages_of_a_digest_asked_for_twice_are_the_same(model: DigestModel) -> None:
    again = build_digest(fleet(findings=findings(), said_before=MARKS))
    assert render_digest(again) == render_digest(model)
    other = replace(fleet(findings=findings()), previous=None)
    assert render_digest(build_digest(other)) != render_digest(model)
