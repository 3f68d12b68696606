"""Orders that name neither codes nor part are aimed by what their text says."""

from pathlib import Path

import pytest

from afterclear.store.engine.database import query
from tests.histories.story import Story, attempts, told
from tests.histories.test_evidence import only

pytestmark = pytest.mark.slow

WHEEL = "C0031"  # front left wheel speed sensor


def _story(**order: object) -> Story:
    story = Story().scan(0, 1000, brakes=[WHEEL]).repair(0.1, 1000, **order)
    return story.clear(0.2, 1000).scan(30, 3000, brakes=[])


@pytest.mark.parametrize(
    ("notes", "action"),
    [
        ("LF whl spd snsr replaced", "replace"),
        ("Raddrehzahlsensor v.l. erneuert", "replace"),
        ("Connecteur capteur de roue AVG nettoyé", "clean"),
    ],
)
def test_a_text_links_to_the_fault_it_speaks_of(tmp_path: Path, notes: str, action: str) -> None:
    """The attempt is the repair, with what the text says was done."""
    with told(tmp_path, _story(notes=notes)) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["action"]) == ("repair", action)


@pytest.mark.parametrize(
    "notes",
    [
        "RR whl spd snsr replaced",
        "Front left wheel speed sensor checked",
        "Quoted for LF ABS sensor",
    ],
)
def test_another_place_a_look_and_an_offer_link_to_nothing(tmp_path: Path, notes: str) -> None:
    """Only the clear was tried."""
    with told(tmp_path, _story(notes=notes)) as con:
        assert only(attempts(con))["kind"] == "clear_only"


def test_the_orders_own_action_counts_before_its_text(tmp_path: Path) -> None:
    """A text that names the part alone is work where the order says what was done."""
    with told(tmp_path, _story(notes="ABS sensor front left", action="replace")) as con:
        assert only(attempts(con))["kind"] == "repair"


def test_a_service_is_listed_as_such_and_mends_only_a_fault_that_names_it(tmp_path: Path) -> None:
    """An oil change is for the family of the oil; brake fluid is for none."""
    story = _story(notes="oil and filter changed, brake fluid changed")
    with told(tmp_path, story) as con:
        assert only(attempts(con))["kind"] == "clear_only"
        rows = query(con, "SELECT part, family, action, why FROM store.order_texts ORDER BY part")
    assert rows.rows() == [
        ("brake_fluid", None, "replace", "service"),
        ("engine_oil", "oil_quality", "replace", None),
        ("oil_filter", None, "replace", "service"),
    ]


def test_what_was_not_recognised_is_listed_with_the_reason(tmp_path: Path) -> None:
    """Beside what was read."""
    story = _story(notes="sorted the usual thing").repair(
        0.11, 1000, notes="NSF ABS sensor renewed"
    )
    with told(tmp_path, story) as con:
        rows = query(con, "SELECT part, family, action, why FROM store.order_texts ORDER BY why")
        assert rows.rows() == [
            (None, None, None, "no_component"),
            ("wheel_speed_sensor", "wheel_speed_sensor:front_left", "replace", None),
        ]
