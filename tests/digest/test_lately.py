"""A site that was flagged for all its work: what its latest work shows is told beside it."""

from dataclasses import asdict, replace

from afterclear.digest.audience.chart_numbers import Lately, lately, lately_words
from afterclear.finding_tables.sites import Quarter
from afterclear.wording.cells import Cells
from tests.digest.every_row import build_digest
from tests.digest.findings_fixture import ROWS, findings
from tests.digest.fleet_fixture import fleet

TIMES = ("2024-Q3", "2024-Q4", "2025-Q1", "2025-Q2", "2025-Q3", "2025-Q4")


def quarter(name: str, observed: int, expected: float, site: str = "Northquay") -> Quarter:
    return Quarter(
        site, name, 9, 9, observed, expected, *[None] * 6, n_worn_or_new=0, n_still_there=0,
        n_held=0, n_on_watch=0,
    )  # fmt: skip


def better(late: int) -> tuple[Quarter, ...]:
    return tuple(quarter(name, 9 if name == TIMES[0] else late, 5.0) for name in TIMES)


def test_the_latest_five_quarters_are_told_beside_those_before() -> None:
    found = lately((*better(2), quarter("2025-Q4", 50, 1.0, "Elsewhere")), "Northquay")
    assert found == Lately("2024-Q4", 10, 25.0, 9, 5.0)
    assert found.is_as_the_fleet
    assert "since 2024-Q4, 10 came back, and 25.0" in lately_words(found, Cells())


def test_a_year_is_not_compared_with_itself_and_few_show_little() -> None:
    assert lately(better(2)[1:], "Northquay") is None
    assert lately([replace(row, expected=0.9) for row in better(2)], "Northquay") is None
    assert lately(better(2), None) is None


def test_a_site_that_is_as_the_fleet_now_comes_after_what_is_so_now() -> None:
    def names(late: int) -> list[tuple[str, bool]]:
        rows = [asdict(row) for row in better(late)]
        page = build_digest(fleet(findings=findings(ROWS | {"held_by_quarter": rows}))).garage
        assert page is not None
        assert "since 2024-Q4" in next(x for x in page.looks if x.name == "Northquay").short
        return [(look.name, look.is_over) for look in page.looks]

    assert names(late=8)[0] == ("Northquay", False)
    assert names(late=2)[-1] == ("Northquay", True)
