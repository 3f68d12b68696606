"""What to do first: ranks, prices, evidence to collect, and what people decided."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from afterclear.errors import UsageError
from afterclear.findings.work.decided import Decided, Matter, decision_on, decision_reason
from afterclear.findings.work.work_cost import ComeBackCosts, Order
from afterclear.findings.work.worklist import build_worklist
from afterclear.reasons import Urgency
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.decisions import Decision, add_decisions, undo_decision
from afterclear.wording.cells import Cells
from afterclear.wording.work import cost_words, decision_words
from tests.findings.yard import BEGIN, URGENCY_RULES, WORKLIST_RULES, analysed, lines, set_aside
from tests.histories.story import CATALOGUE, Story

AS_OF = BEGIN + timedelta(days=400)


def repaired(name: str, day: float, km: float, code: str, ecu: str = "engine") -> Story:
    """Tell of a fault found and repaired in one visit, all cleared."""
    story = Story(name).scan(day, km, **{ecu: [code]})
    story.repair(day + 0.1, km, codes=code, action="replace", part_cost="100", currency="EUR")
    return story.clear(day + 0.2, km)


def gone(name: str) -> Story:
    """Tell of a sensor that failed again after its repair, and then no more, without work."""
    story = repaired(name, 300, 1000, "C0034-13", "brakes").scan(330, 2000, brakes=["C0034-13"])
    return story.scan(360, 2500, brakes=[])


def both_unchecked(name: str) -> Story:
    """Tell of brakes and a catalytic converter repaired in one visit, unread since."""
    story = Story(name).scan(380, 5000, brakes=["C0034-13"], engine=["P0420"])
    for code in ("C0034-13", "P0420"):
        story.repair(380.1, 5000, codes=code, action="replace")
    return story.clear(380.2, 5000)


def fleet() -> tuple[Story, ...]:
    return (
        Story("airbag").scan(395, 5000, airbag=["B0001-13"]),
        Story("brake").scan(395, 5000, brakes=["C0020-12"]),
        Story("volts").scan(
            395, 5000, **{"high voltage battery": ["P0AA6-1A"]}, gateway=["U0412-86"]
        ),
        Story("wheel").scan(395, 5000, brakes=["C0034-13"], steering=["U0415-86"]),
        Story("blind").scan(395, 5000, gateway=["U0412-86"]),
        Story("quiet").scan(100, 5000, engine=["P0128"]).scan(395, 9000, brakes=[]),
        Story("mute").scan(380, 5000, body={"codes": [], "ecu_response": "no_answer"}).scan(
            395, 5400, body={"codes": [], "ecu_response": "no_answer"}
        ),
        repaired("unchecked brake", 380, 5000, "C0034-13", "brakes"),
        *(repaired(f"back {n}", 300, 1000, "P0301").scan(330, 2000, engine=[]).scan(
            395, 3000, engine=["P0301"]) for n in range(6)),
        repaired("held", 10, 1000, "P0301").scan(200, 20_000, engine=[]).scan(
            395, 40_000, engine=[]),
        gone("gone again"),
        repaired("other code", 300, 1000, "C0034-13", "brakes").scan(
            395, 2000, brakes=["C0034-2F"]),
        both_unchecked("two unchecked"),
        gone("gone for good").scan(395, 40_000, brakes=[]),
        Story("two").scan(395, 5000, engine=["P0420", "P0128"]),
        repaired("active only", 360, 1000, "P0128").scan(
            395, 3000, engine={"codes": [], "memory": "active_only"}),
        Story("stayed").scan(350, 5000, brakes=["C0020-12"]).clear(370, 6000).scan(
            370.1, 6001, brakes=["C0020-12"], visit_reason="post_repair").scan(
            395, 6500, brakes=["C0020-12"]),
        Story("clean").scan(395, 5000, engine=[]),
        Story("sold").scan(395, 5000, engine=["P0420"]),
    )  # fmt: skip


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    vehicles = ({"vehicle_id": "sold", "stock_status": "sold"},)
    with analysed(tmp_path_factory.mktemp("work"), *fleet(), vehicles=vehicles) as con:
        yield con


def line(con: Connection, vehicle: str) -> dict[str, object]:
    (found,) = (row for row in lines(con) if row["vehicle_id"] == vehicle)
    return found


def rank_again(con: Connection) -> None:
    build_worklist(con, CATALOGUE, WORKLIST_RULES, URGENCY_RULES, AS_OF)


def test_safety_comes_first_and_high_voltage_before_all(work: Connection) -> None:
    """What to bring in stands before what to scan, as pages print it; safety first in each."""
    ranked = [row["vehicle_id"] for row in lines(work)]
    kinds = [row["kind"] for row in lines(work)]
    assert kinds == sorted(kinds)
    for kind in ("bring_in", "scan"):
        is_safe = [not row["safety"] for row in lines(work) if row["kind"] == kind]
        assert is_safe == sorted(is_safe)
    assert ranked[0] == "volts"
    assert ranked.index("brake") < ranked.index("airbag")
    assert ranked.index("airbag") < ranked.index("unchecked brake"), "open before unchecked"


def test_of_the_equally_urgent_the_dearer_loss_comes_first(work: Connection) -> None:
    for kind in ("bring_in", "scan"):
        own = [row for row in lines(work) if row["kind"] == kind and not row["safety"]]
        pressing = [(tuple(Urgency).index(row["urgency"]), -row["expected_loss"]) for row in own]
        assert pressing == sorted(pressing)


def test_each_line_says_how_soon(work: Connection) -> None:
    """The level of its most urgent fault; codes that only follow from it add none."""
    soon = {row["vehicle_id"]: row["urgency"] for row in lines(work)}
    assert soon["volts"] == "do_not_drive", "isolation of high voltage"
    assert soon["brake"] == soon["airbag"] == soon["back 0"] == "book_this_week"
    assert soon["two"] == soon["mute"] == "next_visit"
    (first, *_) = lines(work)
    assert first["urgency"] == "do_not_drive"


def test_nothing_is_to_be_done_about_what_is_clean_held_or_sold(work: Connection) -> None:
    assert {"clean", "held", "sold"}.isdisjoint(row["vehicle_id"] for row in lines(work))


def test_an_echo_is_told_with_its_cause_and_is_no_work_of_its_own(work: Connection) -> None:
    found = line(work, "wheel")
    assert "C0034-13" in str(found["action"])
    assert "U0415-86" not in str(found["action"])
    assert "U0415-86 follows from it" in str(found["because"])
    assert json.loads(str(found["units_to_scan"])) == ["brakes", "steering"]


def test_an_echo_of_a_unit_nobody_read_asks_for_that_scan(work: Connection) -> None:
    found = line(work, "blind")
    assert found["kind"] == "scan"
    assert "high voltage battery" in str(found["evidence"])
    assert "before any work" in str(found["action"])


def test_a_repair_that_failed_under_another_code_is_told_with_the_open_one(
    work: Connection,
) -> None:
    found = line(work, "other code")
    assert "Diagnose anew and repair C0034-2F" in str(found["action"])
    assert str(found["because"]).startswith("C0034-13 in the brake control unit had work on")
    assert "C0034-2F in the brake control unit (" not in str(found["because"]), "told once"
    assert "no work on it is known" not in str(found["because"])


def test_a_check_of_safety_does_not_wait_for_one_that_needs_further_to_drive(
    work: Connection,
) -> None:
    """The catalytic converter's unit is to be read later, and the line says when."""
    alone, both = line(work, "unchecked brake"), line(work, "two unchecked")
    assert both["after_km"] == alone["after_km"]
    assert json.loads(str(both["units_to_scan"])) == ["brakes", "engine"]
    far = CATALOGUE.min_distance_after_clear_km("catalyst:bank_1")
    assert far > float(str(alone["after_km"]))
    looks = [
        f"Scan the {unit} control unit as soon as {Cells().to_drive(float(str(km)))} have been "
        "driven since the last odometer reading."
        for unit, km in (("brake", alone["after_km"]), ("engine", far))
    ]
    assert str(both["evidence"]).replace("\xa0", " ") == " ".join(looks).replace("\xa0", " ")


def test_a_fault_that_came_back_and_went_without_work_is_to_be_scanned(work: Connection) -> None:
    """Nobody touched it: it stands on the list until it was clean over what proves a repair."""
    found = line(work, "gone again")
    assert (found["kind"], found["safety"]) == ("scan", True)
    assert "came back between" in str(found["because"]) or "came back within" in str(
        found["because"]
    )
    assert "gone again with no work on record" in str(found["because"])
    assert "gone for good" not in {row["vehicle_id"] for row in lines(work)}


def test_a_fault_last_seen_long_ago_is_to_be_scanned_before_work_is_booked(
    work: Connection,
) -> None:
    found = line(work, "quiet")
    assert found["kind"] == "scan"
    assert "before booking work" in str(found["action"])


def test_a_unit_that_stays_silent_is_on_the_list(work: Connection) -> None:
    assert "gives no answer" in str(line(work, "mute")["action"])


def test_a_safety_repair_nobody_checked_is_on_the_list(work: Connection) -> None:
    found = line(work, "unchecked brake")
    assert found["safety"]
    assert 0 < float(str(found["p_not_fixed"])) < 1
    assert "no scan since" in str(found["because"])


def test_a_come_back_names_its_attempt_and_how_far_it_held(work: Connection) -> None:
    found = line(work, "back 0")
    assert len(str(found["attempt_ids"]).split()) == 1
    assert "came back between 1,000" in str(found["because"]).replace("\xa0", " ")


def test_where_only_active_codes_were_read_the_stored_ones_are_asked_for(work: Connection) -> None:
    found = line(work, "active only")
    assert str(found["action"]).startswith("Have the stored codes of the engine control unit read")
    assert "read only the codes active at that moment" in str(found["because"])


def test_what_no_work_ended_is_there_since_it_was_first_seen(work: Connection) -> None:
    """The clear of day 370 did not end it: it was there at day 350, and is."""
    assert line(work, "stayed")["since_at"] == (BEGIN + timedelta(days=350)).replace(tzinfo=None)


def test_what_can_be_done_in_one_visit_is_one_line(work: Connection) -> None:
    found = line(work, "two")
    assert json.loads(str(found["codes"])) == ["P0128", "P0420"]
    assert str(found["action"]).lower().count("find and repair") == 2
    assert float(str(found["expected_loss"])) == 2 * WORKLIST_RULES.come_back


def test_each_line_says_which_units_to_scan_and_when(work: Connection) -> None:
    for row in lines(work):
        assert json.loads(row["units_to_scan"])
        assert row["evidence"].startswith("Scan ")
        assert row["after_km"] >= 0


def test_a_come_back_is_priced_by_the_fleets_orders_where_enough(work: Connection) -> None:
    """8 orders of 100 EUR on misfires; nothing on wheel sensors but one order."""
    assert line(work, "back 0")["expected_loss"] == 100
    assert "7 work orders" in str(line(work, "back 0")["loss_basis"])
    assert line(work, "two")["loss_basis"] == "the setting come_back"


# --- prices -----------------------------------------------------------------------------------


def test_too_few_orders_on_a_component_fall_back_to_the_fleet_then_to_the_setting() -> None:
    rules = replace(WORKLIST_RULES, min_orders=3, min_fleet_orders=5)
    orders = [Order(f"V{n}", "S", "egr_valve", 90.0 + n, "CHF") for n in range(5)]
    costs = ComeBackCosts([*orders, Order("V9", "S", "thermostat", 40, "CHF")], rules)
    assert costs.of("egr_valve", "V0", "S").amount == 92
    assert costs.of("thermostat", "V0", "S").amount == 91.5
    assert costs.of("thermostat", "V0", "S").currency == "CHF"
    basis = ComeBackCosts(orders[:2], rules).of("egr_valve", "V0", "S").basis
    assert cost_words(f"[{basis}]", Cells()) == "the setting come_back"


# --- decisions --------------------------------------------------------------------------------

NOW = datetime(2026, 3, 1)  # noqa: DTZ001 - the store's instants are UTC without an offset
MATTER = Matter("V1", "engine", "P0420", ("A1",), NOW - timedelta(days=30), NOW - timedelta(days=2))


def decided(word: str, **columns: object) -> Decided:
    told: dict[str, object] = {
        "decision_id": 1, "vehicle_id": "V1", "attempt_id": None, "ecu": None, "code": None,
        "word": word, "until_at": None, "until_km": None, "note": None,
        "decided_at": NOW - timedelta(days=1),
    }  # fmt: skip
    return Decided(**(told | columns))  # type: ignore[arg-type]


def holds(decision: Decided, matter: Matter = MATTER, km: float | None = 5000) -> bool:
    return decision_on(matter, [decision], NOW, km) is decision


@pytest.mark.parametrize(
    ("scope", "is_about"),
    [
        ({}, True),
        ({"code": "P0420"}, True),
        ({"code": "P0420", "ecu": "engine"}, True),
        ({"code": "P0420", "ecu": "brakes"}, False),
        ({"code": "P0128"}, False),
        ({"attempt_id": "A1"}, True),
        ({"attempt_id": "A2"}, False),
        ({"vehicle_id": "V2"}, False),
    ],
)
def test_a_decision_is_about_its_vehicle_attempt_or_code(
    scope: dict[str, str], *, is_about: bool
) -> None:
    assert holds(decided("accept", **scope)) == is_about


@pytest.mark.parametrize(
    ("ends", "km", "waits"),
    [
        ({"until_at": NOW + timedelta(days=1)}, 5000, True),
        ({"until_at": NOW}, 5000, False),
        ({"until_km": 6000.0}, 5000, True),
        ({"until_km": 5000.0}, 5000, False),
        # whichever comes first ends the wait
        ({"until_at": NOW + timedelta(days=1), "until_km": 4000.0}, 5000, False),
        ({"until_km": 6000.0}, None, True),
    ],
)
def test_a_wait_ends_at_its_date_or_km(
    ends: dict[str, object], km: float | None, *, waits: bool
) -> None:
    assert holds(decided("wait", **ends), km=km) == waits


def test_what_was_accepted_is_back_when_it_begins_anew() -> None:
    newer = replace(MATTER, began_at=NOW - timedelta(hours=1))
    assert holds(decided("accept"))
    assert not holds(decided("accept"), newer)


def test_repaired_elsewhere_lapses_when_the_code_is_seen_again() -> None:
    assert holds(decided("repaired_elsewhere"))
    assert not holds(decided("repaired_elsewhere"), replace(MATTER, last_seen_at=NOW))


def test_not_a_fault_holds_however_often_it_is_seen() -> None:
    assert holds(decided("not_a_fault", code="P0420"), replace(MATTER, last_seen_at=NOW))


def test_the_latest_word_counts() -> None:
    first, second = decided("accept"), decided("not_a_fault", decision_id=2, decided_at=NOW)
    assert decision_on(MATTER, [second, first], NOW, None) is second


def test_decisions_are_told_without_who_took_them() -> None:
    reason = decision_reason(decided("wait", until_at=NOW, until_km=9000.0, note="part ordered"))
    assert "ordered" not in reason
    assert decision_words(reason, "part ordered", Cells()).replace("\xa0", " ") == (
        "Decided on 28 Feb 2026 to wait until 1 Mar 2026 or until 9,000 km: part ordered"
    )


def keep(con: Connection, vehicle: str, word: str, **columns: object) -> int:
    told = Decision(vehicle, word, "M. Example", AS_OF, **columns)  # type: ignore[arg-type]
    (number,) = add_decisions(con, [told])
    rank_again(con)
    return number


def test_a_decision_takes_a_line_off_the_list_and_undo_brings_it_back(work: Connection) -> None:
    before = query(work, "FROM worklist ORDER BY ALL")
    evidence = query(work, "FROM evidence ORDER BY ALL")
    number = keep(work, "two", "accept", note="scrapped next month")
    assert "two" not in {row["vehicle_id"] for row in lines(work)}
    (aside,) = set_aside(work)
    assert aside["decided"].endswith("accepted as it is")
    assert aside["note"] == "scrapped next month"
    assert query(work, "FROM evidence ORDER BY ALL").equals(evidence)
    undo_decision(work, number, "M. Example", AS_OF)
    rank_again(work)
    assert query(work, "FROM worklist ORDER BY ALL").equals(before)


def test_a_decision_on_one_code_leaves_the_other(work: Connection) -> None:
    number = keep(work, "two", "not_a_fault", code="P0128")
    assert json.loads(str(line(work, "two")["codes"])) == ["P0420"]
    undo_decision(work, number, "M. Example", AS_OF)
    rank_again(work)


def test_a_safety_line_stays_with_the_word_beside_it_below_the_others(work: Connection) -> None:
    number = keep(work, "volts", "accept")
    ranked = [row["vehicle_id"] for row in lines(work)]
    own = [row for row in lines(work) if row["kind"] == "bring_in"]
    safety = [row["vehicle_id"] for row in own if row["safety"]]
    assert safety[-1] == "volts"
    assert ranked[: len(safety)] == safety
    assert "accepted as it is" in str(line(work, "volts")["decided"])
    undo_decision(work, number, "M. Example", AS_OF)
    rank_again(work)


def test_decisions_are_kept_with_who_and_when_even_when_undone(work: Connection) -> None:
    rows = query(work, "FROM decisions ORDER BY decision_id").to_dicts()
    assert rows
    assert all(row["decided_by"] == row["undone_by"] == "M. Example" for row in rows)
    assert all(row["decided_at"] == AS_OF.astimezone(UTC).replace(tzinfo=None) for row in rows)


def test_undoing_twice_is_refused(work: Connection) -> None:
    with pytest.raises(UsageError, match="already"):
        undo_decision(work, 1, "M. Example", AS_OF)


def test_undoing_what_is_not_there_is_refused(work: Connection) -> None:
    with pytest.raises(UsageError, match="no decision 999"):
        undo_decision(work, 999, "M. Example", AS_OF)


def test_an_empty_store_has_an_empty_list(tmp_path: Path) -> None:
    with analysed(tmp_path) as con:
        assert lines(con) == lines(con, "garage") == lines(con, "stock") == []


@pytest.mark.parametrize(
    ("chances", "deed", "why"),
    [
        ((0.8, 0.1, 0.1), "Diagnose anew and repair", "most likely did not hold"),
        ((0.1, 0.8, 0.1), "Replace the worn part behind", "has most likely worn out."),
        ((0.1, 0.1, 0.8), "Find and repair", "most likely a new fault"),
        ((0.49, 0.3, 0.21), "Find and repair", "Its cause is not clear."),
    ],
    ids=["not held", "worn", "new", "not clear"],
)
def test_what_to_do_about_a_come_back_follows_its_likeliest_cause(
    work: Connection, chances: tuple[float, float, float], deed: str, why: str
) -> None:
    """Chances as the verdicts might have them; put back afterwards."""
    work.execute("CREATE TEMP TABLE as_judged AS FROM store.verdicts")
    set_to = "p_same_fault = ?, p_worn = ?, p_new = ?"
    work.execute(f"UPDATE store.verdicts SET {set_to} WHERE p_same_fault IS NOT NULL", [*chances])
    build_worklist(work, CATALOGUE, WORKLIST_RULES, URGENCY_RULES, AS_OF)
    told = line(work, "back 1")
    work.execute("DELETE FROM store.verdicts")
    work.execute("INSERT INTO store.verdicts FROM as_judged")
    work.execute("DROP TABLE as_judged")
    build_worklist(work, CATALOGUE, WORKLIST_RULES, URGENCY_RULES, AS_OF)
    assert str(told["action"]).startswith(deed)
    assert why in str(told["because"])
