"""Rules of roles, one scan at a time."""

from collections.abc import Mapping

import pytest

from afterclear.findings.roles.role_facts import FactBook, SeenCode
from afterclear.findings.roles.role_links import FleetPair, Key, Link, break_rings
from afterclear.findings.roles.role_rules import Look, Role, RoleRules
from afterclear.wording.cells import Cells
from afterclear.wording.roles import role_words
from tests.histories.story import CATALOGUE

BOOK = FactBook(CATALOGUE)
UNITS = ("engine", "transmission", "brakes", "steering", "airbag", "body", "gateway",
         "instrument_cluster", "hv_battery")  # fmt: skip


def roles(
    *told: str,
    read: tuple[str, ...] = UNITS,
    silent: tuple[str, ...] = (),
    pairs: Mapping[tuple[Key, Key], FleetPair] | None = None,
) -> dict[tuple[str, str], Role]:
    """Roles of a scan told as ``unit code [/pending] [| text]``, by unit and code."""
    seen = []
    for entry in told:
        head, _, text = entry.partition("|")
        head, _, status = head.strip().partition("/")
        unit, _, code = head.strip().partition(" ")
        family = CATALOGUE.family(code, text.strip() or None, None, unit).key
        seen.append(SeenCode(unit, code, family, status == "pending", text.strip() or None))
    look = Look(tuple(seen), frozenset(read), frozenset(silent))
    return {(r.ecu, r.code): r for r in RoleRules(BOOK, pairs or {}).roles(look)}


def why(role: Role) -> str:
    """Say the reason of a role."""
    return role_words(role.explained.reason, role.explained.facts, Cells())


def cause_of(
    told: dict[tuple[str, str], Role], unit: str, code: str
) -> tuple[str | None, str | None]:
    role = told[unit, code]
    assert role.role == "consequential"
    return (role.primary_ecu, role.primary_code)


@pytest.mark.parametrize(
    ("echo", "cause"),
    [
        # lost, invalid and software codes of the network (SAE J2012 numbers, config/knock_on.csv)
        ("steering U0415-86", "brakes C0034-13"),
        ("airbag U0140-87", "body B1A41-11"),
        ("engine U0302", "transmission P0606"),
        ("gateway U0412-86", "hv_battery P0AA6-1A"),
        ("brakes U0428-86", "steering C0051-54"),
        # codes that only say: see the other unit
        ("engine P0700", "transmission P0717"),
        # wheel speed behind speed signals, torque requests and brake functions
        ("engine P0500", "brakes C0031-13"),
        ("engine P2544", "brakes C0031-13"),
        ("transmission P0856", "brakes C0031-13"),
        ("engine P215A", "brakes C003A-13"),
        ("transmission SPN 84 FMI 19", "brakes SPN 789 FMI 8"),
        # messages in which one unit asks to look at another, in five languages
        ("engine acme:4711|see ABS codes", "brakes C0034-13"),
        ("engine acme:4711|Fehlerspeicher ABS-Steuergerät auslesen", "brakes C0034-13"),
        ("engine acme:4711|consulter la mémoire ABS", "brakes C0034-13"),
        ("engine acme:4711|consultar memoria de averías ABS", "brakes C0034-13"),
        ("engine acme:4711|odczytać pamięć błędów ABS", "brakes C0034-13"),
    ],
)
def test_a_report_follows_the_fault_of_the_unit_it_points_at(echo: str, cause: str) -> None:
    told = roles(echo, cause)
    unit, _, rest = echo.partition(" ")
    cause_unit, _, cause_code = cause.partition(" ")
    assert cause_of(told, unit, rest.partition("|")[0]) == (cause_unit, cause_code)
    assert told[cause_unit, cause_code].role == "primary"
    assert told[unit, rest.partition("|")[0]].source


def test_two_faults_with_nothing_between_them_stand_alone() -> None:
    told = roles("engine P0301", "body B1A41-11")
    assert {r.role for r in told.values()} == {"stands_alone"}


def test_a_wheel_sensor_is_named_before_a_pump_for_bad_data() -> None:
    """Both are the brakes' own; data of a sensor are what others receive."""
    told = roles("steering U0415-86", "brakes C0020-12", "brakes C0034-13")
    assert cause_of(told, "steering", "U0415-86") == ("brakes", "C0034-13")
    assert told["brakes", "C0020-12"].role == "stands_alone"


def test_more_than_one_fitting_cause_lowers_the_confidence() -> None:
    one = roles("steering U0415-86", "brakes C0034-13")
    two = roles("steering U0415-86", "brakes C0034-13", "brakes C0031-13")
    assert two["steering", "U0415-86"].confidence < one["steering", "U0415-86"].confidence


def test_a_pump_fault_does_not_explain_a_speed_signal() -> None:
    told = roles("engine P0500", "brakes C0020-12")
    assert told["engine", "P0500"].role == "stands_alone"


def test_a_speed_spn_points_at_the_brakes_only_where_received_data_are_in_error() -> None:
    """SPN 84 FMI 2 is the engine's own erratic signal; FMI 19 is one it received."""
    told = roles("engine SPN 84 FMI 2", "brakes SPN 789 FMI 8")
    assert told["engine", "SPN 84 FMI 2"].role == "stands_alone"


def test_low_voltage_explains_many_at_once() -> None:
    told = roles(
        "engine P0562", "brakes U3003-16", "body U3003-16", "gateway U0121-87", "airbag U0140-87"
    )
    assert told["engine", "P0562"].role == "primary"
    for unit, code in set(told) - {("engine", "P0562")}:
        assert cause_of(told, unit, code) == ("engine", "P0562")


def test_low_voltage_of_the_vehicle_explains_one_silent_unit_less_surely() -> None:
    one = roles("engine P0562", "gateway U0121-87")
    assert cause_of(one, "gateway", "U0121-87") == ("engine", "P0562")
    many = roles("engine P0562", "gateway U0121-87", "airbag U0140-87", "steering U0100")
    sure = [told["gateway", "U0121-87"].confidence for told in (one, many)]
    assert sure[0] < sure[1]


def test_the_supply_of_one_unit_explains_its_silence_and_no_other_units() -> None:
    told = roles("brakes U3006-16", "steering U0121", "airbag U0140-87")
    assert cause_of(told, "steering", "U0121") == ("brakes", "U3006-16")
    assert told["airbag", "U0140-87"].role == "stands_alone"


def test_a_misfire_is_named_before_the_catalyst_it_overheats() -> None:
    """13 CCR 1968.2 (e)(3.2.1) has misfires watched for the temperature that harms the catalyst."""
    told = roles("engine P0301", "engine P0420", "engine P2428")
    for harmed in ("P0420", "P2428"):
        assert cause_of(told, "engine", harmed) == ("engine", "P0301")
    assert "before any part is replaced" in why(told["engine", "P0420"])
    assert told["engine", "P0420"].source


def test_a_catalyst_that_failed_before_any_misfire_is_not_put_down_to_it() -> None:
    family = CATALOGUE.family("P0420").key
    misfire = SeenCode("engine", "P0301", CATALOGUE.family("P0301").key)
    older = SeenCode("engine", "P0420", family, is_older=True)
    look = Look((misfire, older), frozenset(UNITS))
    assert {r.role for r in RoleRules(BOOK, {}).roles(look)} == {"stands_alone"}


def test_a_sensor_of_the_catalyst_is_not_harmed_by_a_misfire() -> None:
    told = roles("engine P0301", "engine P0426")
    assert {r.role for r in told.values()} == {"stands_alone"}


def test_a_circuit_fault_is_not_put_down_to_low_voltage() -> None:
    told = roles(
        "engine P0562", "brakes U3003-16", "body U3003-16", "airbag U3003-16", "brakes C0034-13",
        "steering U0415-86",
    )  # fmt: skip
    assert told["brakes", "C0034-13"].role == "primary"
    assert cause_of(told, "steering", "U0415-86") == ("brakes", "C0034-13")


def test_a_bus_fault_explains_units_that_lose_each_other() -> None:
    told = roles("body U0073", "transmission U0100", "steering U0121", "gateway U0155")
    assert told["body", "U0073"].role == "primary"
    assert cause_of(told, "steering", "U0121") == ("body", "U0073")


def test_a_unit_not_read_is_named_and_asked_for() -> None:
    told = roles("steering U0415-86", read=("engine", "steering"))
    role = told["steering", "U0415-86"]
    assert (role.role, role.primary_ecu, role.primary_code) == ("consequential", "brakes", None)
    assert role.to_scan == "brakes"
    assert "not read" in why(role)


def test_a_silent_unit_two_point_at_is_suspected_of_its_supply() -> None:
    told = roles("steering U0121", "engine U0121", read=("engine", "steering"), silent=("brakes",))
    role = told["steering", "U0121"]
    assert "gave no answer" in why(role)
    assert "2 codes point at it" in why(role)
    assert "supply" in why(role)


def test_a_report_nothing_explains_stays_and_says_that_the_unit_was_read() -> None:
    role = roles("steering U0415-86")["steering", "U0415-86"]
    assert role.role == "stands_alone"
    assert "was read and has no code" in why(role)


def test_a_chain_of_reports_is_followed_to_its_end() -> None:
    """The cluster hears of it from the brakes, which hear of it from the steering."""
    told = roles("instrument_cluster U0415-86", "brakes U0428-86", "steering C0051-54")
    assert cause_of(told, "instrument_cluster", "U0415-86") == ("steering", "C0051-54")
    assert told["instrument_cluster", "U0415-86"].confidence < told["brakes", "U0428-86"].confidence


def test_two_units_that_point_at_each_other_have_no_primary() -> None:
    told = roles("brakes U0131", "steering U0121")
    assert {r.role for r in told.values()} == {"stands_alone"}
    assert all("wiring" in why(r) for r in told.values())


def test_a_function_in_a_shared_box_is_found_there() -> None:
    """The transmission's codes stand in the engine's unit where they share a box."""
    told = roles("engine P0700", "engine P0717", read=("engine",))
    assert cause_of(told, "engine", "P0700") == ("engine", "P0717")


def test_a_pending_end_lowers_the_confidence() -> None:
    sure = roles("steering U0415-86", "brakes C0034-13")
    less = roles("steering U0415-86", "brakes C0034-13/pending")
    assert less["steering", "U0415-86"].confidence < sure["steering", "U0415-86"].confidence


def pair(cause: Key, echo: Key, score: float) -> dict[tuple[Key, Key], FleetPair]:
    return {(cause, echo): FleetPair(score, 40, {"n_both": 40})}


A, B = ("engine", "P1105"), ("transmission", "P1790")


def test_the_fleets_data_name_a_cause_no_rule_knows() -> None:
    told = roles("engine P1105", "transmission P1790", pairs=pair(A, B, 2.0))
    assert cause_of(told, *B) == A
    assert told[B].basis == "fleet"
    assert "came together 40 times" in why(told[B])


def test_the_fleets_data_overrule_no_circuit_fault() -> None:
    told = roles("engine P1105", "brakes C0034-13", pairs=pair(A, ("brakes", "C0034-13"), 3.0))
    assert told["brakes", "C0034-13"].role == "stands_alone"


def test_the_fleets_data_raise_and_lower_the_trust_in_a_rule() -> None:
    echo, cause = ("steering", "U0415-86"), ("brakes", "C0034-13")
    plain = roles("steering U0415-86", "brakes C0034-13")[echo].confidence
    agreeing = roles("steering U0415-86", "brakes C0034-13", pairs=pair(cause, echo, 1.5))[echo]
    against = roles("steering U0415-86", "brakes C0034-13", pairs=pair(echo, cause, 1.5))[echo]
    assert against.confidence < plain < agreeing.confidence
    assert agreeing.basis == "rule_and_fleet"


def test_the_fleets_data_choose_between_two_fitting_causes() -> None:
    told = roles(
        "steering U0415-86", "brakes C0034-13", "brakes C0031-13",
        pairs=pair(("brakes", "C0034-13"), ("steering", "U0415-86"), 1.0),
    )  # fmt: skip
    assert cause_of(told, "steering", "U0415-86") == ("brakes", "C0034-13")


def test_a_ring_is_broken_at_its_weakest_link() -> None:
    links: list[Link | None] = [
        Link(1, 0.9, "rule", "invalid", ""),
        Link(2, 0.7, "fleet", "fleet", ""),
        Link(0, 0.8, "rule", "lost", ""),
    ]
    assert break_rings(links) == set()
    assert links[1] is None
    assert links[0] is not None
    assert links[2] is not None


def test_no_code_is_ever_its_own_cause_and_no_primary_has_one() -> None:
    """Whatever the links: trees, whose roots have no cause (laws, over random scans)."""
    codes = ("brakes U0131", "steering U0121", "engine U0101", "transmission U0100",
             "brakes C0034-13", "engine P0500", "engine P0562", "body U3003-16",
             "gateway U0155", "instrument_cluster U0146")  # fmt: skip
    for mask in range(1, 1 << len(codes)):
        told = roles(*(c for i, c in enumerate(codes) if mask >> i & 1))
        for (unit, code), role in told.items():
            if role.primary_code is not None and role.primary_ecu is not None:
                primary = told[role.primary_ecu, role.primary_code]
                assert primary.role == "primary"
                assert (role.primary_ecu, role.primary_code) != (unit, code)
            assert 0 < role.confidence < 1


def test_reasons_are_sentences_that_can_be_read_aloud() -> None:
    told = roles(
        "engine P0562", "brakes U3003-16", "body U3003-16", "gateway U0121-87", "airbag B0001-13",
        "steering U0415-86", "transmission P0717", "engine P0700", "engine P0301",
    )  # fmt: skip
    for role in told.values():
        said = why(role)
        assert said.endswith(".")
        assert said.startswith(role.code)
        assert not set("_{}[]<>|=") & set(said), said
