"""What work cost over a period: each number by hand, all from one small fleet."""

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from afterclear.store.engine.database import Connection
from tests.findings.found import found, rows
from tests.histories.story import RULES, Story, together

pytestmark = pytest.mark.slow

CODE = "P0401"
DAYS = (RULES.as_of - datetime(2025, 1, 1, tzinfo=UTC)).days - 5  # from the sixth day of stories


def valve(story: Story, day: float, km: float, **columns: str) -> Story:
    """Tell of an EGR valve for the code at Ashford, with a clear."""
    usual = {"codes": CODE, "action": "replace", "part_family": "EGR valve", "site": "Ashford"}
    usual |= {"part_number": "E1", "part_cost": "100.10", "labour_cost": "40", "currency": "EUR"}
    return story.repair(day, km, **(usual | columns)).clear(day + 0.1, km)


def fleet() -> list[Story]:
    """V1's first valve came back; V2 has francs, a credit note and an order without an amount.

    V3 has an amount without a currency, V4 none at all, V5 an order before the period; V6's order
    has a row for each of its codes.
    """
    v1, v2, v3, v4, v5 = (Story(f"V{n}").scan(0, 1000, engine=[CODE]) for n in range(1, 6))
    valve(v1, 10.1, 1000).scan(20, 1500, engine=[CODE])
    valve(v1, 20.1, 1500, site="Borne").scan(70, 9000, engine=[])
    valve(v2, 10.1, 1000, currency="CHF", part_cost="80", labour_cost="").scan(15, 1200, engine=[])
    v2.repair(16, 1300, site="Ashford", part_cost="-30", currency="CHF", part_family="EGR valve")
    v2.repair(17, 1400, site="Ashford", notes="washed")
    valve(v3, 10.1, 1000).repair(13, 1100, site="Corley", labour_cost="25")
    valve(v4, 10.1, 1000, site="Corley", part_cost="", labour_cost="", currency="")
    valve(v5, 1, 1000, site="Corley")
    valve(v5, 12, 2000, site="Corley")
    v6 = Story("V6").scan(0, 1000, engine=["P2002"])
    for code in ("P2002", "P2463"):
        valve(v6, 10.1, 1000, codes=code, part_family="DPF", repair_id="R1", site="Dorn")
    return [v1, v2, v3, v4, v5, v6]


def shared_orders() -> list[Story]:
    """V7: diagnosis and valve are two orders for one fault. V8: one order for two faults.

    V9: a wash in the visit of a valve.  All in zlotys, so that the sums above stay as they are.
    """
    v7, v8, v9 = (Story(f"V{n}").scan(0, 1000, engine=[CODE, "P0301"]) for n in range(7, 10))
    zlotys = {"currency": "PLN", "site": "Dale"}
    v7.repair(10, 1000, codes=CODE, action="inspect", labour_cost="60", **zlotys)
    valve(v7, 10.1, 1000, **zlotys).scan(20, 1500, engine=[CODE])
    both = {"codes": f"{CODE} P0301", "part_cost": "100.01", "labour_cost": ""}
    valve(v8, 10.1, 1000, **zlotys, **both).scan(20, 1500, engine=[])
    valve(v9, 10.1, 1000, **zlotys).repair(10.2, 1000, notes="washed", labour_cost="15", **zlotys)
    return [v7, v8, v9]


def fixed_again_within_hours() -> list[Story]:
    """V10: a valve comes back after 60 km and the next one, eight hours later, holds.

    V11: one visit of three orders, ten hours from each to the next, whose fix came back. V12: a
    valve without any word of its code goes between an order that lists it and the next one.
    """
    v10, v11, v12 = (Story(f"V{n}").scan(0, 1000, engine=[CODE]) for n in (10, 11, 12))
    crowns = {"currency": "DKK", "site": "Esk", "labour_cost": ""}
    v10.repair(10, 1000, codes=CODE, action="replace", part_cost="100", **crowns)
    v10.clear(10.01, 1000).scan(10.2, 1060, engine=[CODE])
    v10.repair(10 + 8 / 24, 1060, codes=CODE, action="replace", part_cost="300", **crowns)
    v10.clear(10.4, 1060)
    for visit in range(1, 7):
        v10.scan(10.4 + 20 * visit, 1060 + 8000 * visit, engine=[])
    for story, middle in ((v11, {"codes": CODE}), (v12, {"part_family": "EGR valve"})):
        story.repair(10, 1000, codes=CODE, action="inspect", part_cost="7", **crowns)
        story.repair(10 + 10 / 24, 1000, action="replace", part_cost="20", **(crowns | middle))
        story.repair(10 + 20 / 24, 1000, codes=CODE, action="clean", part_cost="50", **crowns)
        story.clear(10 + 21 / 24, 1000).scan(20, 1500, engine=[CODE])
    return [v10, v11, v12]


def one_of_two_came_back() -> Story:
    """V13: one order for two faults, of which the valve's comes back; in forints."""
    both = {"codes": f"{CODE} P0301", "part_cost": "90", "labour_cost": "", "currency": "HUF"}
    v13 = Story("V13").scan(0, 1000, engine=[CODE, "P0301"])
    return valve(v13, 10.1, 1000, **both).scan(20, 1500, engine=[CODE])


def random_fleet() -> list[Story]:
    """Visits with up to four orders, any codes and parts, amounts of all kinds, two currencies."""
    rng = np.random.default_rng(7)
    stories = []
    for number in range(12):
        story = Story(f"W{number:02d}").scan(0, 1000, engine=[CODE, "P0301", "P0420", "P0133"])
        for day in (10, 40, 70):
            for hour in range(rng.integers(1, 5)):
                codes = rng.permutation([CODE, "P0301", "P0420", "P0133"])[rng.integers(1, 5) :]
                columns = {
                    "codes": " ".join(codes),
                    "part_family": str(rng.choice(["EGR valve", "ignition coil", ""])),
                    "action": str(rng.choice(["replace", "inspect", ""])),
                    "part_cost": str(rng.choice(["", f"{rng.integers(-5_000, 90_000) / 100}"])),
                    "labour_cost": str(rng.choice(["", f"{rng.integers(0, 9_999) / 100}"])),
                    "currency": str(rng.choice(["SEK", "NOK"])),
                    "site": str(rng.choice(["Elm", "Fell", ""])),
                }
                kept = {name: value for name, value in columns.items() if value}
                story.repair(day + hour / 24, 1000 + 20 * day, **kept)
            story.clear(day + 0.2, 1000 + 20 * day)
            story.scan(day + 15, 1300 + 20 * day, engine=[CODE] if rng.random() < 0.4 else [])
        stories.append(story)
    return stories


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    stories = (
        together([*fleet(), *shared_orders(), *fixed_again_within_hours(), one_of_two_came_back()]),
        together(random_fleet()),
    )
    with found(tmp_path_factory.mktemp("costs"), *stories, cost_days=DAYS) as con:
        yield con


def costs(con: Any, kind: str) -> dict[tuple[str | None, str | None], tuple[Any, ...]]:
    """Give amount, orders, amount that came back, credit notes and orders without an amount."""
    return {
        (r["vehicle_id"] or r["site"] or r["fault"], r["currency"]): (
            r["amount"], r["n_orders"], r["amount_came_back"], r["n_credits"], r["n_without"]
        )
        for r in rows(con, "costs") if r["kind"] == kind
    }  # fmt: skip


def test_costs_are_added_up_by_vehicle_site_and_fault_and_never_across_currencies(
    con: Connection,
) -> None:
    vehicles, sites = costs(con, "vehicle"), costs(con, "site")
    assert vehicles["V1", "EUR"] == (280.2, 2, 140.1, 0, 0)
    assert vehicles["V2", "CHF"] == (50.0, 2, 0.0, 1, 1)
    assert sites["Ashford", "EUR"] == (280.2, 2, 140.1, 0, 1)
    assert sites["Ashford", "CHF"] == (50.0, 2, 0.0, 1, 1)
    assert sites["Borne", "EUR"] == (140.1, 1, 0.0, 0, 0)
    assert costs(con, "fault")["egr_valve", "EUR"][:4] == (560.4, 4, 140.1, 0)
    assert {key[1] for key in costs(con, "fleet")} == {
        "EUR", "CHF", "PLN", "DKK", "HUF", "SEK", "NOK", None
    }  # fmt: skip


def test_vehicles_sites_faults_and_orders_each_add_up_to_the_same(con: Connection) -> None:
    """Nothing is counted twice and nothing is lost, whatever an order or a visit was for."""
    every = {name: round(amount, 2) for (_, name), (amount, *_) in costs(con, "fleet").items()}
    for kind in ("vehicle", "site", "fault"):
        sums: Counter[str | None] = Counter()
        for (_, currency), (amount, *_more) in costs(con, kind).items():
            sums[currency] += round(100 * amount)
        assert {name: cents / 100 for name, cents in sums.items()} == every, kind
    orders: Counter[str | None] = Counter()
    for row in rows(con, "cost_orders"):
        orders[row["currency"]] += round(100 * (row["amount"] or 0))
    assert {name: cents / 100 for name, cents in orders.items()} == every
    random = [r for r in rows(con, "cost_orders") if r["vehicle_id"].startswith("W")]
    assert any(" " in (r["faults"] or "") for r in random), "orders for several faults"
    assert any(r["faults"] is None and r["amount"] for r in random), "and for none"


def test_the_orders_of_one_visit_for_one_fault_are_both_its_own(con: Connection) -> None:
    orders = {
        (r["vehicle_id"], r["amount"]): (r["faults"], r["came_back"])
        for r in rows(con, "cost_orders")
        if r["currency"] == "PLN"
    }
    assert orders["V7", 60.0] == ("egr_valve", True), "the diagnosis of what came back"
    assert orders["V7", 140.1] == ("egr_valve", True)
    assert orders["V9", 140.1] == ("egr_valve", False)
    assert orders["V9", 15.0] == (None, False), "a wash is tied to no fault"


def test_an_order_whose_fix_held_is_not_told_as_the_one_hours_before_that_came_back(
    con: Connection,
) -> None:
    orders = [r for r in rows(con, "cost_orders") if r["vehicle_id"] == "V10"]
    assert [(r["amount"], r["came_back"]) for r in orders] == [(100.0, True), (300.0, False)]
    assert costs(con, "vehicle")["V10", "DKK"][:3] == (400.0, 2, 100.0)


@pytest.mark.parametrize("vehicle_id", ["V11", "V12"])
def test_all_orders_of_a_visit_are_its_fixes_however_far_the_first_is_from_the_last(
    con: Connection, vehicle_id: str
) -> None:
    orders = [r for r in rows(con, "cost_orders") if r["vehicle_id"] == vehicle_id]
    assert [(r["amount"], r["faults"], r["came_back"]) for r in orders] == [
        (7.0, "egr_valve", True),
        (20.0, "egr_valve", True),
        (50.0, "egr_valve", True),
    ]


def test_an_order_for_two_faults_is_divided_to_the_cent(con: Connection) -> None:
    """100.01 in two: 50.01 and 50.00; the valve has 60 + 140.10 + 140.10 beside its half."""
    faults = costs(con, "fault")
    assert faults["egr_valve", "PLN"][:2] == (pytest.approx(390.21, abs=1e-9), 4)
    assert faults["misfire", "PLN"][:2] == (50.0, 1)
    assert faults["not_tied", "PLN"][:2] == (15.0, 1)


def test_an_order_that_came_back_counts_in_full_but_of_the_fault_only_its_own_part(
    con: Connection,
) -> None:
    """So of the faults only the amounts add up: 45 of 90 came back, and two orders are one."""
    assert costs(con, "vehicle")["V13", "HUF"][:3] == (90.0, 1, 90.0)
    assert costs(con, "fault")["egr_valve", "HUF"][:3] == (45.0, 1, 45.0)
    assert costs(con, "fault")["misfire", "HUF"][:3] == (45.0, 1, 0.0)


def test_each_number_has_its_orders(con: Connection) -> None:
    orders = [r for r in rows(con, "cost_orders") if r["vehicle_id"] == "V1"]
    assert [(r["amount"], r["came_back"], r["faults"]) for r in orders] == [
        (140.1, True, "egr_valve"),
        (140.1, False, "egr_valve"),
    ]


def test_an_amount_without_a_currency_stays_by_itself(con: Connection) -> None:
    vehicles = costs(con, "vehicle")
    assert vehicles["V3", "EUR"] == (140.1, 1, 0.0, 0, 0)
    assert vehicles["V3", None] == (25.0, 1, 0.0, 0, 0)


def test_a_vehicle_whose_orders_carry_no_amount_is_not_told_as_free(con: Connection) -> None:
    assert costs(con, "vehicle")["V4", None] == (0.0, 0, 0.0, 0, 1)
    (row,) = [r for r in rows(con, "costs") if r["vehicle_id"] == "V4"]
    assert row["sentence"] == "No amount is given. 1 order carries no amount."


def test_an_order_with_a_row_for_each_code_costs_what_it_cost_once(con: Connection) -> None:
    assert costs(con, "vehicle")["V6", "EUR"][:2] == (140.1, 1)
    assert costs(con, "site")["Dorn", "EUR"][:2] == (140.1, 1)
    assert [r["amount"] for r in rows(con, "cost_orders") if r["vehicle_id"] == "V6"] == [140.1]


def test_orders_before_the_period_do_not_count(con: Connection) -> None:
    (row,) = [r for r in rows(con, "costs") if r["vehicle_id"] == "V5"]
    assert (row["n_orders"], row["days"]) == (1, DAYS)
    assert row["to_at"] - row["from_at"] == timedelta(days=DAYS)
