"""Every reason that the SQL or a rule can write has its words, in every language."""

import re
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

import pytest

from afterclear.catalogue.config_tables import read_table
from afterclear.config import shipped
from afterclear.reasons import (
    EVIDENCE_PARAMETERS,
    FLEET_COUNTS,
    ROLE_PARAMETERS,
    STOCK_PARAMETERS,
    WORK_PARAMETERS,
    EvidenceReason,
    Fact,
    Kind,
    RoleReason,
    StockReason,
    WorkReason,
)
from afterclear.store.engine.database import open_store, query
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.cells import Cells
from afterclear.wording.evidence import SAID, SETTLED_BY, evidence_words
from afterclear.wording.exported import with_sentences
from afterclear.wording.facts import SELF_TESTS
from afterclear.wording.language import MARKS
from afterclear.wording.roles import HARMS, role_words
from afterclear.wording.roles import SAID as ROLE_SAID
from afterclear.wording.stock import SAID as STOCK_SAID
from afterclear.wording.stock import stock_words
from afterclear.wording.units import UNITS
from afterclear.wording.work import SAID as WORK_SAID
from afterclear.wording.work import deed_words, ground_words, work_words
from tests.histories.story import CATALOGUE

_SQL = files("afterclear.histories") / "sql"
_WRITTEN = re.compile(r"(?:THEN|ELSE)\s+'([a-z_]+)'")
_SAY_NOTHING = set(EvidenceReason) - {
    EvidenceReason.READ_WITHOUT,
    EvidenceReason.SHOWN_AGAIN,
    EvidenceReason.FIRST_SEEN_EARLIER,
    EvidenceReason.OTHER_CODE_SHOWN,
    EvidenceReason.STILL_THERE_SAME_VISIT,
    EvidenceReason.STILL_THERE_UNCLEARED,
}


def _between(name: str, start: str, end: str) -> str:
    text = (_SQL / name).read_text(encoding="utf-8")
    return text[text.index(start) : text.index(end, text.index(start))]


def test_the_sql_writes_the_reasons_there_are_and_no_others() -> None:
    written = (
        _between("55_readings.sql", "AS cleared_km_ago", "AS why_blind")
        + _between("55_readings.sql", "MACRO why_no_evidence", "END;")
        + _between("80_evidence.sql", "CASE finding", "AS reason")
        + _between("80_evidence.sql", "CASE WHEN reason = 'shown_again'", "AS reason")
    )
    found = set(_WRITTEN.findall(written))
    assert found == set(EvidenceReason)


def test_every_reason_has_its_words_and_what_settles_it() -> None:
    assert set(SAID) == set(EvidenceReason)
    assert set(SETTLED_BY) == _SAY_NOTHING


MONITOR = {"en": "exhaust gas recirculation", "de": "Abgasrückführung"}


@pytest.mark.parametrize("language", MARKS)
@pytest.mark.parametrize("reason", EvidenceReason)
def test_a_reason_says_its_numbers_and_nothing_else(reason: EvidenceReason, language: str) -> None:
    said = evidence_words(
        reason, Cells("mi", language=language), monitor="egr_vvt", since_clear_km=80, needed_km=160
    )
    told = ("monitor" in EVIDENCE_PARAMETERS.get(reason, ()), bool(re.search(r"\d", said)))
    assert (MONITOR[language] in said, "50" in said and "99" in said) == told
    assert "{" not in said
    assert "km" not in said


def _facts(kinds: Mapping[str, Kind]) -> dict[str, Fact]:
    shown: dict[Kind, Fact] = {
        "km": 1609.344,
        "km_to_drive": 1609.344,
        "day": "2026-03-05T12:00:00",
        "count": 17.0,
        "text": "quoted",
        "texts": ["quoted"],
        "component": "quoted",
        "meaning": "quoted",
        "unit": "quoted",
        "units": ["quoted"],
        "phrase": "quoted",
        "codes": [["quoted", "quoted"]] * 5,
        "relation": "lost",
        "monitors": list(SELF_TESTS),
        "deed": "clear_only",
        "aside": "jump",
    }
    return {name: shown[kind] for name, kind in kinds.items()}


def test_the_audit_gives_every_reason_its_own_facts() -> None:
    """Read from the rules' text: each reason is given somewhere, and none that has no words."""
    rules = (files("afterclear.findings.stock") / "stock_rules.py").read_text(encoding="utf-8")
    audit = (files("afterclear.findings.stock") / "audit.py").read_text(encoding="utf-8")
    given = set(re.findall(r"\bR\.([A-Z_]+)", rules)) | set(
        re.findall(r"StockReason\.([A-Z_]+)", audit)
    )
    assert given == {reason.name for reason in StockReason}
    assert set(STOCK_SAID) == set(STOCK_PARAMETERS) == set(StockReason)


@pytest.mark.parametrize("language", MARKS)
@pytest.mark.parametrize("reason", StockReason)
def test_a_reason_of_the_audit_says_its_facts_in_the_readers_words(
    reason: StockReason, language: str
) -> None:
    facts, cells = _facts(STOCK_PARAMETERS[reason]), Cells("mi", language=language)
    said = stock_words(reason, facts, cells)
    assert "{" not in said
    assert not re.search(r"\bkm\b|_|2026-03", said)
    kinds = set(STOCK_PARAMETERS[reason].values())
    assert ("quoted" in said) == bool(kinds & {"text", "meaning", "unit", "units"})
    assert ("mi" in said.split() or "\u00a0mi" in said) == (bool(kinds & {"km", "km_to_drive"}))
    assert ("2026" in said) == ("day" in kinds)
    if language != "en":
        assert said != stock_words(reason, facts, Cells("mi"))


@pytest.mark.parametrize("reason", StockReason)
def test_a_fact_that_is_not_known_is_never_spelled(reason: StockReason) -> None:
    """A unit without a distance counter tells warm-ups; a record without a code is a clear."""
    for missing in ("since_clear_km", "to_go_km", "unread"):
        said = stock_words(reason, _facts(STOCK_PARAMETERS[reason]) | {missing: None}, Cells())
        assert "None" not in said
        assert "\u2013" not in said


def test_the_rules_of_roles_give_every_reason_and_no_other() -> None:
    """Read from the rules' text, as for the audit."""
    roles = files("afterclear.findings.roles")
    rules = "".join(
        (roles / name).read_text(encoding="utf-8")
        for name in ("role_reasons.py", "leftovers.py", "find_roles.py")
    )
    given = set(re.findall(r"\b(?:R|RoleReason)\.([A-Z_]+)", rules))
    assert given == {reason.name for reason in RoleReason}
    assert set(ROLE_SAID) == set(ROLE_PARAMETERS) == set(RoleReason)


@pytest.mark.parametrize("language", MARKS)
@pytest.mark.parametrize("reason", RoleReason)
def test_a_reason_of_roles_says_its_facts_in_the_readers_words(
    reason: RoleReason, language: str
) -> None:
    facts, cells = _facts(ROLE_PARAMETERS[reason]), Cells("mi", language=language)
    said = role_words(reason, facts, cells)
    assert "quoted" in said
    assert not re.search(r"[{}]|\bkm\b|_|2026-03|None", said)
    kinds = set(ROLE_PARAMETERS[reason].values())
    assert ("\u00a0mi" in said) == (bool(kinds & {"km", "km_to_drive"}))
    assert ("2026" in said) == ("day" in kinds)
    assert ("17" in said) == ("count" in kinds)
    if language != "en":
        assert said != role_words(reason, facts, Cells("mi"))


@pytest.mark.parametrize("reason", RoleReason)
def test_a_fact_of_roles_that_is_not_known_is_left_out(reason: RoleReason) -> None:
    """Work without a price or a part, a return at no known distance, no word of the fleet."""
    unknown = dict.fromkeys((*FLEET_COUNTS, "parts", "cost", "currency", "km_after"))
    said = role_words(reason, _facts(ROLE_PARAMETERS[reason]) | unknown, Cells())
    assert not re.search(r"None|\u2013|\(\)|for \.|this fleet", said)


def test_every_label_and_harm_of_the_shipped_tables_has_its_words() -> None:
    """What ``config`` names is known to the catalogues, so German pages do not speak English."""
    assert set(CATALOGUE.control_units.labels.values()) == UNITS
    told = read_table(shipped("config") / "knock_on.csv", ("why",))
    assert {row["why"] for row in told if row["relation"] == "harmed"} == HARMS


def test_the_worklist_gives_every_reason_and_none_that_has_no_words() -> None:
    folder = files("afterclear.findings.work")
    given = {
        name
        for module in ("work_items.py", "worklist.py", "decided.py", "work_cost.py")
        for name in re.findall(
            r"\b(?:R|WorkReason)\.([A-Z_]+)", (folder / module).read_text(encoding="utf-8")
        )
    }
    assert given == {reason.name for reason in WorkReason}
    assert set(WORK_SAID) == set(WORK_PARAMETERS) == set(WorkReason)
    names = [*WorkReason, *StockReason, *RoleReason]
    assert len(names) == len(set(names)), "one list may hold all of them"


@pytest.mark.parametrize("language", MARKS)
@pytest.mark.parametrize("reason", WorkReason)
def test_a_reason_of_the_worklist_says_its_facts_in_the_readers_words(
    reason: WorkReason, language: str
) -> None:
    facts, cells = _facts(WORK_PARAMETERS[reason]), Cells("mi", language=language)
    said = work_words(reason, facts, cells)
    kinds = set(WORK_PARAMETERS[reason].values())
    assert "{" not in said
    assert not re.search(r"\bkm\b|_|2026-03", said)
    quoted = {"text", "texts", "unit", "units", "component", "meaning"}
    assert ("quoted" in said) == bool(kinds & quoted)
    assert ("\u00a0mi" in said) == (bool(kinds & {"km", "km_to_drive"}))
    assert ("2026" in said) == ("day" in kinds)
    assert ("17" in said) == ("count" in kinds)
    if language != "en":
        assert said != work_words(reason, facts, Cells("mi"))


@pytest.mark.parametrize(
    ("reason", "unknown", "said"),
    [
        (WorkReason.CAME_BACK_AFTER_REPAIR, {"low_km"}, "came back within 1,609 km after"),
        (WorkReason.CAME_BACK_AFTER_CLEAR, {"low_km", "high_km"}, "came back after the clear"),
        (WorkReason.SCAN_IN_FULL, {"after_km"}, "Scan in full again"),
        (WorkReason.SCAN_NOW, {"units"}, "Scan the quoted control unit now."),
        (
            WorkReason.SCAN_LATER,
            {"unit"},
            "have been driven since the last odometer reading: quoted.",
        ),
        (WorkReason.SCAN_AROUND_WORK, {"unit", "units"}, "Scan all units before and after the"),
    ],
)
def test_what_the_worklist_does_not_know_is_never_spelled(
    reason: WorkReason, unknown: set[str], said: str
) -> None:
    known = _facts(WORK_PARAMETERS[reason])
    facts = {name: value for name, value in known.items() if name not in unknown}
    assert said in work_words(reason, facts, Cells()).replace("\u00a0", " ")


def test_a_distance_yet_to_be_driven_is_two_figures_and_never_too_short() -> None:
    """Nobody can defend "about 2,281 km"; 2,200 would not be enough."""
    facts = {"unit": "brakes", "again_km": 2_281.0, "to_go_km": 394.0}
    around = work_words(WorkReason.SCAN_AROUND_WORK, facts, Cells()).replace("\u00a0", " ")
    proven = work_words(WorkReason.PROVEN_AFTER, facts, Cells()).replace("\u00a0", " ")
    assert around.endswith("and again after about 2,300 km.")
    assert proven == "Counts as fixed after 400 km more without the code."
    written = [Cells().to_drive(km).replace("\u00a0", " ") for km in (0.2, 13, 130.0, 15_748)]
    assert written == ["1 km", "13 km", "130 km", "16,000 km"]


def test_where_only_hours_are_counted_no_odometer_is_named() -> None:
    facts = {"unit": "engine", "after_km": 500.0}
    assert work_words(WorkReason.SCAN_LATER, facts, Cells(hour_km=25.0)) == (
        "Scan the engine control unit as soon as the hour meter shows 20\u00a0h more."
    )


def test_a_tool_s_capital_letter_does_not_stand_within_a_sentence() -> None:
    """Its own words for a maker's number begin one; an abbreviation stays as it is."""
    facts = {"code": "skelvorn:4471", "unit": "brakes", "seen_on": "2026-03-05T12:00:00"}
    said = [
        work_words(WorkReason.OPEN_SEEN_ONCE, {**facts, "meaning": meaning}, Cells())
        for meaning in ("Wheel speed sensor, no signal", "ABS pump motor")
    ]
    assert "(wheel speed sensor, no signal)" in said[0]
    assert "(ABS pump motor)" in said[1]


def test_a_line_says_all_it_has_to_do_and_why() -> None:
    """Of the stock audit too: what holds a vehicle back is a ground for the work."""
    deeds = '[["hold", {}], ["scan_unit", {"unit": "brakes"}]]'
    grounds = (
        '[["driven_since_scan", {"driven_km": 800}], ["followed_by_one", {"codes": ["U0415"]}]]'
    )
    assert deed_words(deeds, Cells()) == "Hold; scan the brake control unit."
    assert ground_words(grounds, Cells()).replace("\u00a0", " ") == (
        "About 800 km were driven since the last scan. U0415 follows from it."
    )


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("evidence", "finding why reason stretch_from_km stretch_to_km"),
        ("roles", "confidence why reason facts"),
        ("leftovers", "is_open why reason facts"),
        ("echo_work", "confidence why reason facts"),
        ("related_returns", "is_open why reason facts"),
        ("stock", "last_full_scan_at because deciding safety"),
        ("stock_reasons", "source because facts"),
        ("worklist", "vehicle_id rank action because safety attempt_ids"),
        ("worklist", "after_km evidence p_not_fixed"),
        ("worklist_set_aside", "rank action because safety"),
    ],
)
def test_an_export_has_the_sentence_before_its_reason_in_the_old_order(
    tmp_path: Path, table: str, columns: str
) -> None:
    with open_store(tmp_path / "a.duckdb") as con:
        names = " ".join(with_sentences(table, query(con, EXPORTS[table])).columns)
    assert columns in names
