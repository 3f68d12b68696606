"""What work cost, on the fleet, garage and vehicle pages."""

import re

import pytest

from afterclear.digest.build_digests import DigestModel
from tests.digest.every_row import build_digest, render_digest
from tests.digest.findings_fixture import findings
from tests.digest.fleet_fixture import fleet


@pytest.fixture(scope="module")
def model() -> DigestModel:
    return build_digest(fleet(findings=findings()))


@pytest.fixture(scope="module")
def pages(model: DigestModel) -> dict[str, str]:
    return render_digest(model)


def section(html: str) -> str:
    found = re.search(r'<section aria-labelledby="spent">.*?</section>', html, re.DOTALL)
    assert found is not None
    return " ".join(re.sub("<[^>]+>", " ", found[0]).replace("\u00a0", " ").split())


def test_the_dearest_vehicles_and_faults_name_the_period_and_what_came_back(
    model: DigestModel, pages: dict[str, str]
) -> None:
    assert model.fleet is not None
    assert model.fleet.spent is not None
    lines = [(line.row.vehicle_id, line.row.currency) for line in model.fleet.spent.vehicles]
    assert lines == [("HX-211", "EUR"), ("BUS-07", "EUR"), ("HX-204", None)]
    text = section(pages["fleet.html"])
    assert text.startswith("What work cost in the 334 days to 1 Dec 2025")
    assert "1,700 EUR 640 EUR (38 %) 7" in text
    assert "300 (no currency given)" in text


def test_each_site_has_its_costs_and_says_how_many_orders_carry_no_amount(
    pages: dict[str, str],
) -> None:
    text = section(pages["garage.html"])
    assert "Northquay 2,600 EUR 640 EUR (25 %) 7 1 credit note 2 more without an amount" in text
    assert "site not known 300 EUR none 7" in text.replace("Site not known", "site not known")


def test_rows_of_work_orders_that_were_refused_are_said_beside_the_amounts() -> None:
    """Who adds up the delivered file comes to more than the page: the page says by how much."""
    pages = render_digest(build_digest(fleet(findings=findings(), n_refused_orders=2)))
    for name in ("fleet.html", "garage.html"):
        assert "2 rows of work orders were refused and are in no amount" in section(pages[name])


def test_a_vehicle_says_in_one_line_what_its_work_cost(pages: dict[str, str]) -> None:
    (page,) = [html for name, html in pages.items() if name.startswith("vehicles/v-hx-211")]
    text = " ".join(re.sub("<[^>]+>", " ", page).replace("\u00a0", " ").split())
    assert (
        "Work orders in the 334 days before the day of the digest: 1,700 EUR on 7 work orders, of "
        "these 640 EUR on 2 whose fix did not hold." in text
    )
