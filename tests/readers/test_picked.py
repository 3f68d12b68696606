"""What a person picks for a column stands in the place of what it would be taken for."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import UsageError
from afterclear.readers.maps.heading_words import read_heading_words
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver

ORDERS = (
    "order,unit no,day a,day b,odo km,what was done,told by driver,amount\n"
    "W1,V-1,2025-03-01,2025-03-04,1000,replaced coil,engine shakes,120.50\n"
    "W2,V-2,2025-03-02,2025-03-15,2000,cleaned plug,light on,20\n"
)
Suggest = Callable[..., Suggestion]


@pytest.fixture(scope="module")
def context() -> Context:
    words = read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")
    units = ControlUnits.load(IMPORTS.parent)
    return Context(words, units, Known(), datetime(2026, 11, 28, tzinfo=UTC))


@pytest.fixture
def suggest(tmp_path: Path, context: Context) -> Suggest:
    def suggested(**picks: str) -> Suggestion:
        answers = {f"column:{k.replace('_', ' ')}": word for k, word in picks.items()}
        return suggest_map(deliver(tmp_path, "orders.csv", ORDERS.encode()), context, answers)

    return suggested


def taken(made: Suggestion) -> dict[str, tuple[str, ...]]:
    return {told.heading: told.taken_as for told in made.columns}


def test_a_picked_time_is_taken_and_the_question_is_gone(suggest: Suggest) -> None:
    assert "time" in [q.key for q in suggest().questions]
    made = suggest(day_a="repaired_at")
    assert taken(made)["day a"] == ("repaired_at",)
    assert taken(made)["day b"] == ()
    assert "time" not in [q.key for q in made.questions]


def test_a_column_put_aside_fills_nothing(suggest: Suggest) -> None:
    assert taken(suggest())["odo km"] == ("odometer_km",)
    made = suggest(odo_km="aside")
    assert taken(made)["odo km"] == ()
    assert "odometer_km" not in made.text


def test_a_column_whose_cells_do_not_fit_is_taken_as_it_is(suggest: Suggest) -> None:
    """Its rows are refused when they are read; the map itself can be used."""
    made = suggest(told_by_driver="part_cost", day_a="repaired_at")
    problems: list[str] = []
    assert parse_map(made.text, "picked", "picked", problems), problems
    assert taken(made)["told by driver"] == ("part_cost",)


def test_several_columns_may_be_notes(suggest: Suggest) -> None:
    made = suggest(what_was_done="notes", told_by_driver="notes", amount="notes")
    columns = {h for h, as_what in taken(made).items() if "notes" in as_what}
    assert columns == {"what was done", "told by driver", "amount"}


def test_a_pick_mends_what_was_missing(suggest: Suggest) -> None:
    aside = {"day_a": "aside", "day_b": "aside"}
    assert any(each.startswith("repaired_at:") for each in suggest(**aside).missing)
    assert suggest(**aside, told_by_driver="repaired_at").missing == ()


@pytest.mark.parametrize(
    ("picks", "told"),
    [
        ({"nowhere": "notes"}, "no column 'nowhere'"),
        ({"amount": "colour"}, "no column to fill"),
        ({"amount": "part_cost", "odo_km": "part_cost"}, "both taken as part_cost"),
        ({"amount": "model_year"}, "repairs do not have"),
    ],
)
def test_a_pick_that_cannot_be_says_why(suggest: Suggest, picks: dict[str, str], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        suggest(**picks)
