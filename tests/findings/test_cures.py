"""What cured it: which work each fix was, in which situation, and what is told of it."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from afterclear.finding_tables.cures import Cure
from afterclear.findings.cures.find_cures import joined_by
from afterclear.store.engine.database import Connection
from afterclear.wording.cells import Cells
from afterclear.wording.cures import cured_words, fault_cures
from afterclear.wording.findings import finding_words
from tests.findings.found import found, rows
from tests.histories.story import Story

CODE = "P0301"
N = 14  # vehicles for each work


def vehicle(name: str, *, cures: bool, **order: str) -> Story:
    """Tell of a misfire, one order for it with a clear, then 20,000 clean km or the code again."""
    story = Story(name).scan(0, 1000, engine=[CODE])
    story.repair(10, 1200, **order).clear(10.1, 1200)
    if not cures:
        return story.scan(20, 1500, engine=[CODE])
    for day, km in ((30, 3000), (90, 9000), (200, 21_000)):
        story.scan(day, km, engine=[])
    return story


def fleet() -> list[Story]:
    """Coils cure, plugs mostly do not, wipers are other work on the same order."""
    coil = {"action": "replace", "part_family": "ignition coil", "codes": CODE, "part_cost": "60"}
    plug = {"action": "replace", "part_family": "spark plug", "codes": CODE, "part_cost": "20"}
    money = {"currency": "EUR"}
    coils = [vehicle(f"C{n}", cures=n > 0, **coil, **money) for n in range(N)]
    plugs = [vehicle(f"P{n}", cures=n < 2, **plug, **money) for n in range(N + 1)]
    cleaned = vehicle("K1", cures=True, action="clean", codes=CODE)
    both = vehicle("W1", cures=True, **coil, repair_id="R-9", **money)
    both.repair(10, 1200, repair_id="R-9", action="replace", part_family="wiper blade")
    bare = Story("B1").scan(0, 1000, engine=[CODE]).clear(5, 1100).scan(20, 1500, engine=[CODE])
    return [*coils, *plugs, cleaned, both, bare]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    with found(tmp_path_factory.mktemp("cures"), *fleet()) as con:
        yield con


def works(con: Connection) -> dict[str, dict[str, Any]]:
    return {row["work"]: row for row in rows(con, "cures") if row["level"] == "work"}


def test_each_work_is_counted_with_what_became_of_it(store: Connection) -> None:
    told = {
        work: [row[name] for name in ("n_fixes", "n_held", "n_came_back", "n_open")]
        for work, row in works(store).items()
    }
    assert told == {
        "replace:ignition_coil": [N + 1, N, 1, 0],
        "replace:spark_plug": [N + 1, 2, N - 1, 0],
        "clean:part:not_named": [1, 1, 0, 0],
        "clear": [1, 0, 1, 0],
    }


def test_the_fixes_behind_a_count_are_listed(store: Connection) -> None:
    listed = [row for row in rows(store, "cure_fixes") if row["work"] == "replace:ignition_coil"]
    assert len(listed) == N + 1
    assert {row["n_beside"] for row in listed} == {0}
    assert all(row["repair_id"] for row in listed)


def test_a_difference_beyond_chance_is_told_and_few_fixes_are_not_compared(
    store: Connection,
) -> None:
    found_works = works(store)
    assert found_works["replace:ignition_coil"]["told"] == "usual"
    plug = found_works["replace:spark_plug"]
    assert (plug["told"], plug["usual"]) == ("worse", "replace:ignition_coil")
    assert plug["difference_high"] < 0
    assert found_works["clean:part:not_named"]["told"] == "too_few"
    assert found_works["clean:part:not_named"]["share_held"] is None


def test_a_cure_costs_the_mean_order_over_the_share_that_holds(store: Connection) -> None:
    plug = works(store)["replace:spark_plug"]
    assert (plug["cost"], plug["currency"], plug["n_priced"]) == (20, "EUR", N + 1)
    assert plug["cost_per_cure"] == pytest.approx(20 / plug["share_held"])


def test_a_work_says_why_an_order_without_codes_is_for_the_fault_or_that_it_is_not(
    store: Connection,
) -> None:
    """Coils and plugs may cure a misfire by ``cures.csv``; what names no part may be anything."""
    assert {work: row["joined_by"] for work, row in works(store).items()} == {
        "replace:ignition_coil": "table",
        "replace:spark_plug": "table",
        "clean:part:not_named": "not_known",
        "clear": "not_known",
    }


@pytest.mark.parametrize(
    ("work", "fault", "joined"),
    [
        ("clean:egr_valve", "egr_valve", "own"),
        ("replace:wiper repair:fuse", "misfire", "neither"),
        ("replace:wiper replace:coil", "misfire", "table"),
        ("replace:part:qx7712", "misfire", "not_known"),
        ("replace:wiper", "code:mak:B1A41", "not_known"),
        ("several", "misfire", "not_known"),
    ],
)
def test_work_of_several_pieces_is_joined_by_any_of_them(
    work: str, fault: str, joined: str
) -> None:
    assert joined_by(work, fault, {("coil", "misfire"): "table"}) == joined


def test_a_work_that_held_often_and_joins_no_order_without_codes_says_so() -> None:
    missing = cure("replace:ignition_coil", 9, 8, 1, joined_by="neither")
    assert "`config/cures.csv` has no row for it." in finding_words(missing, Cells())
    few = cure("replace:ignition_coil", 9, 4, 5, joined_by="neither")
    for row in (few, replace(missing, joined_by="table"), replace(missing, level="brand")):
        assert "cures.csv" not in finding_words(row, Cells())


def cure(work: str, n: int, n_held: int, n_came_back: int, **columns: Any) -> Cure:
    labels = {"clear": "", "repair:airbag": "airbag", "replace:ignition_coil": "ignition coil"}
    usual: dict[str, Any] = dict.fromkeys(Cure.__dataclass_fields__)
    usual |= {"fault": "misfire", "label": "misfire", "level": "work", "work": work, "n_fixes": n}
    usual |= {"works_label": labels.get(work, "ignition coil; spark plug"), "n_first": n}
    usual |= {"n_held": n_held, "n_came_back": n_came_back, "n_worn_or_new": 0, "told": "usual"}
    return Cure(**(usual | {"n_open": n - n_held - n_came_back} | columns))


def test_the_words_count_what_was_cured_and_never_call_a_clear_a_cure() -> None:
    said = fault_cures([cure("replace:ignition_coil", 9, 5, 2), cure("clear", 3, 1, 2)], Cells())
    assert said == (
        "Ignition coil replaced: cured it in 5 of 7, 2 not proven yet.",
        "Codes cleared, no repair: stayed away in 1 of 3.",
    )


def test_counts_that_grow_every_night_are_rounded_and_a_few_open_fixes_left_out() -> None:
    """A vehicle's page is not written again for one more fix in the fleet."""
    many = [cure(COIL, 1230 + more, 359, 855, **NAMED) for more in (0, 3)]
    said = [fault_cures([row], Cells()) for row in many]
    assert said == [("Ignition coil replaced: cured it in about 360 of 1,200.",)] * 2
    (some,) = fault_cures([cure(COIL, 400, 90, 150, **NAMED)], Cells())
    assert some == "Ignition coil replaced: cured it in about 90 of 240, 160 not proven yet."
    assert cured_words(many[0], Cells()) == "cured it in 359 of 1214, 16 not proven yet"


def test_a_difference_is_told_with_its_interval_and_the_usual_work() -> None:
    apart = {"told": "better", "difference_low": 0.12, "difference_high": 0.4}
    both = cure("replace:ignition_coil replace:spark_plug", 6, 6, 0, **apart)
    said = fault_cures([cure("replace:ignition_coil", 9, 5, 4), both], Cells())
    assert said[1] == (
        "Ignition coil replaced, spark plug replaced: cured it in 6 of 6; in like situations it "
        "cures between 12 and 40 more of 100 than this: Ignition coil replaced."
    )


def test_a_fleet_with_too_few_settled_fixes_is_told_so_and_given_no_advice() -> None:
    assert fault_cures([cure("replace:ignition_coil", 9, 2, 1)], Cells()) == (
        (
            "What cures it cannot be said yet: of fewer than 5 fixes of it in this fleet it is "
            "known whether they held."
        ),
    )
    assert fault_cures([], Cells()) == ()


COIL, NAMED = "replace:ignition_coil", {"works_label": "ignition coil"}


def part(level: str, name: str, n: int, n_held: int, n_came_back: int, **columns: Any) -> Cure:
    return cure(COIL, n, n_held, n_came_back, level=level, part=name, **(NAMED | columns))


def in_words(*parts: Cure) -> str:
    """Give what a line says after its counts."""
    (said,) = fault_cures([cure(COIL, 20, 14, 6, **NAMED), *parts], Cells())
    return said.partition("cured it in 14 of 20. ")[2]


OTHER = {"told": "no_difference"}
WORSE = {"told": "worse", "difference_low": -0.7, "difference_high": -0.2}


def test_a_line_says_how_often_a_work_held_by_the_brand_of_its_parts() -> None:
    brands = (part("brand", "Kelt", 6, 3, 3, **OTHER), part("brand", "Orvo", 14, 9, 3))
    assert in_words(*brands) == (
        "By brand: Orvo 9 of 12, 2 not proven yet; Kelt 3 of 6: no clear difference."
    )


def test_a_brand_that_holds_less_often_in_like_situations_says_by_how_much() -> None:
    brands = (part("brand", "Orvo", 12, 11, 1), part("brand", "Kelt", 6, 1, 5, **WORSE))
    assert in_words(*brands) == (
        "By brand: Orvo 11 of 12; Kelt 1 of 6 (in like situations it cures between 20 and 70 "
        "fewer of 100 than this: Orvo)."
    )


def test_grades_stand_beside_brands_only_where_they_part_the_fixes_otherwise() -> None:
    brands = (part("brand", "Orvo", 12, 11, 1), part("brand", "Kelt", 6, 3, 3, **OTHER))
    same = (part("grade", "original", 12, 11, 1), part("grade", "aftermarket", 6, 3, 3, **OTHER))
    apart = (part("grade", "original", 9, 8, 1), part("grade", "aftermarket", 9, 6, 3, **OTHER))
    assert "By grade" not in in_words(*brands, *same)
    assert in_words(*brands, *apart).endswith(
        " By grade: original 8 of 9; aftermarket 6 of 9: no clear difference."
    )


def test_parts_that_were_never_fitted_in_like_situations_are_said_to_be_so() -> None:
    never = part("brand", "Kelt", 6, 3, 3, told="not_side_by_side")
    assert in_words(part("brand", "Orvo", 12, 11, 1), never) == (
        "By brand: Orvo 11 of 12; Kelt 3 of 6 (not tried in like situations)."
    )


def test_one_brand_alone_or_one_with_too_few_fixes_is_not_held_against_another() -> None:
    orvo = part("brand", "Orvo", 12, 11, 1)
    assert in_words(orvo) == ""
    assert in_words(orvo, part("brand", "Kelt", 4, 0, 4, told="too_few")) == ""


def test_brands_and_grades_are_said_in_german() -> None:
    grades = (part("grade", "original", 12, 11, 1), part("grade", "used", 6, 3, 3, **OTHER))
    (said,) = fault_cures([cure(COIL, 20, 12, 6, **NAMED), *grades], Cells(language="de"))
    assert said.endswith(
        "Nach Qualität: Original 11 von 12; gebraucht 3 von 6: kein deutlicher Unterschied."
    )
