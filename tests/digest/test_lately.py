"""A group that was flagged for all its work: what its latest work shows is told beside it."""

from dataclasses import fields
from typing import Any

from afterclear.digest.audience.chart_numbers import Lately, lately, lately_words
from afterclear.finding_tables.sites import ComparedGroup
from afterclear.wording.cells import Cells
from tests.digest.every_row import build_digest
from tests.digest.findings_fixture import ROWS, findings
from tests.digest.fleet_fixture import fleet

LATE = {"late_since": "2024-Q4", "observed_late": 10, "expected_late": 12.5}


def group(**told: Any) -> ComparedGroup:
    """Give a group with 40 come-backs where 21 were expected."""
    row = {name.name: None for name in fields(ComparedGroup)}
    return ComparedGroup(**(row | {"observed": 40, "expected": 21.0} | LATE | told))


def test_the_latest_five_quarters_are_told_beside_those_before() -> None:
    found = lately(group())
    assert found == Lately("2024-Q4", 10, 12.5, 30, 8.5)
    assert found.is_as_the_fleet
    assert "since 2024-Q4: 10 observed, 12.5 expected" in lately_words(found, Cells())


def test_a_year_is_not_compared_with_itself_and_few_show_little() -> None:
    assert lately(group(late_since=None, observed_late=None, expected_late=None)) is None
    assert lately(group(expected_late=4.9)) is None
    assert lately(group(expected_late=16.1)) is None


def test_a_group_that_is_as_the_fleet_now_comes_after_what_is_so_now() -> None:
    def names(late: int) -> list[tuple[str, bool]]:
        rows = [
            row | (LATE | {"observed_late": late} if row["name"] == "Northquay" else {})
            for row in ROWS["holders"]
        ]
        page = build_digest(fleet(findings=findings(ROWS | {"holders": rows}))).garage
        assert page is not None
        assert "since 2024-Q4" in next(x for x in page.looks if x.name == "Northquay").short
        return [(look.name, look.is_over) for look in page.looks]

    assert names(late=20)[0] == ("Northquay", False)
    assert names(late=10)[-1] == ("Northquay", True)
