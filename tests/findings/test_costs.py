"""What work cost over a period: each number by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.findings.found import found, rows
from tests.histories.story import RULES, Story

CODE = "P0401"
EVER = 3660


def valve(story: Story, day: float, km: float, **columns: str) -> Story:
    """Tell of an EGR valve for the code at Ashford, with a clear."""
    usual = {"codes": CODE, "action": "replace", "part_family": "EGR valve", "site": "Ashford"}
    usual |= {"part_number": "E1", "part_cost": "100.10", "labour_cost": "40", "currency": "EUR"}
    return story.repair(day, km, **(usual | columns)).clear(day + 0.1, km)


def costs(con: Any, kind: str) -> dict[tuple[str | None, str | None], tuple[Any, ...]]:
    """Give amount, orders, amount that came back, credit notes and orders without an amount."""
    return {
        (r["vehicle_id"] or r["site"] or r["fault"], r["currency"]): (
            r["amount"], r["n_orders"], r["amount_came_back"], r["n_credits"], r["n_without"]
        )
        for r in rows(con, "costs") if r["kind"] == kind
    }  # fmt: skip


def test_costs_are_added_up_by_vehicle_site_and_fault_and_never_across_currencies(
    tmp_path: Path,
) -> None:
    """The first valve of V1 came back; V2 paid in francs, has a credit note and a bare order."""
    one = Story("V1").scan(0, 1000, engine=[CODE])
    valve(one, 0.1, 1000).scan(10, 1500, engine=[CODE])
    valve(one, 10.1, 1500, site="Borne").scan(60, 9000, engine=[])
    two = Story("V2").scan(0, 1000, engine=[CODE])
    valve(two, 0.1, 1000, currency="CHF", part_cost="80", labour_cost="").scan(5, 1200, engine=[])
    two.repair(6, 1300, site="Ashford", part_cost="-30", currency="CHF", part_family="EGR valve")
    two.repair(7, 1400, site="Ashford", notes="washed")
    with found(tmp_path, one, two, cost_days=EVER) as con:
        assert costs(con, "vehicle") == {
            ("V1", "EUR"): (280.2, 2, 140.1, 0, 0),
            ("V2", "CHF"): (50.0, 2, 0.0, 1, 1),
        }
        assert costs(con, "site") == {
            ("Ashford", "EUR"): (140.1, 1, 140.1, 0, 1),
            ("Ashford", "CHF"): (50.0, 2, 0.0, 1, 1),
            ("Borne", "EUR"): (140.1, 1, 0.0, 0, 0),
        }
        assert costs(con, "fault")["egr_valve", "EUR"] == (280.2, 2, 140.1, 0, 0)
        assert {key[1] for key in costs(con, "fleet")} == {"EUR", "CHF"}
        orders = [r for r in rows(con, "cost_orders") if r["vehicle_id"] == "V1"]
        assert [(r["amount"], r["came_back"], r["faults"]) for r in orders] == [
            (140.1, True, "egr_valve"),
            (140.1, False, "egr_valve"),
        ]


def test_an_amount_without_a_currency_stays_by_itself(tmp_path: Path) -> None:
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 0.1, 1000).repair(3, 1100, site="Ashford", labour_cost="25")
    with found(tmp_path, story, cost_days=EVER) as con:
        assert costs(con, "vehicle") == {
            ("V1", "EUR"): (140.1, 1, 0.0, 0, 0),
            ("V1", None): (25.0, 1, 0.0, 0, 0),
        }


def test_a_vehicle_whose_orders_carry_no_amount_is_not_told_as_free(tmp_path: Path) -> None:
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 0.1, 1000, part_cost="", labour_cost="", currency="")
    with found(tmp_path, story, cost_days=EVER) as con:
        (row,) = [r for r in rows(con, "costs") if r["kind"] == "vehicle"]
    assert (row["n_orders"], row["amount"], row["n_without"]) == (0, 0.0, 1)
    assert row["sentence"] == "No amount is given. 1 order carries no amount."


def test_orders_before_the_period_do_not_count(tmp_path: Path) -> None:
    """The period ends with the analysis: only the second order is within it."""
    since = (RULES.as_of - datetime(2025, 1, 1, tzinfo=UTC)).days  # where stories begin
    story = Story("V1").scan(0, 1000, engine=[CODE])
    valve(story, 1, 1000)
    valve(story, 12, 2000)
    with found(tmp_path, story, cost_days=since - 5) as con:
        (row,) = [r for r in rows(con, "costs") if r["kind"] == "vehicle"]
    assert (row["n_orders"], row["days"]) == (1, since - 5)
    assert row["to_at"] - row["from_at"] == timedelta(days=since - 5)
