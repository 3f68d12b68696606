"""Where a clear lies that nobody recorded: between the scans before and after it."""

from pathlib import Path

from afterclear.store.engine.database import query
from tests.histories.story import Story, told
from tests.histories.test_evidence import CODE, attempts, only
from tests.histories.test_workshop import counted

_PLACES = "SELECT km_low, km, km_high FROM store.clear_events WHERE origin = 'counter'"


def test_a_clear_lies_between_the_two_scans_however_vague_the_counter_is(tmp_path: Path) -> None:
    """The counter says 4996 to 5006; the code was there at 5000, and the second scan is at 5003."""
    story = Story().scan(0, 5000, engine=[CODE]).scan(0.1, 5003, engine=counted(2))
    with told(tmp_path, story) as con:
        assert query(con, _PLACES).rows() == [(5000, 5001, 5003)]


def test_a_scan_without_a_counter_beyond_the_place_bounds_nothing(tmp_path: Path) -> None:
    """1500 km since the clear at 7000 say 5500, whatever was read at 6000."""
    story = Story().scan(0, 5000, engine=[CODE]).scan(30, 6000, engine=[])
    with told(tmp_path, story.scan(60, 7000, engine=counted(1500))) as con:
        assert query(con, _PLACES).rows() == [(5485, 5500, 5515)]


def test_a_code_set_back_to_not_tested_proves_a_clear_between_two_scans(tmp_path: Path) -> None:
    """It was told as "cleared, or gone by itself" above "not tested since the clear"."""
    story = Story().scan(0, 5000, engine=[f"{CODE}/2F"]).scan(0.1, 5006, engine=[f"{CODE}/50"])
    story.scan(30, 7000, engine=[f"{CODE}/2F"])
    with told(tmp_path, story) as con:
        assert query(con, "SELECT origin, km_low, km_high FROM store.clear_events").rows() == [
            ("status", 5000, 5006)
        ]
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["returned"]) == ("clear_only", True)
        assert query(con, "SELECT ended_by FROM store.episodes").rows() == [("clear",), ("open",)]


def test_a_repair_between_the_two_scans_still_explains_a_code_set_back(tmp_path: Path) -> None:
    story = Story().scan(0, 5000, engine=[f"{CODE}/2F"])
    story.repair(1, 5040, codes=CODE, action="replace").scan(30, 7000, engine=[f"{CODE}/50"])
    with told(tmp_path, story.scan(60, 9000, engine=[])) as con:
        assert query(con, "SELECT origin FROM store.clear_events").rows() == [("with_repair",)]
        assert only(attempts(con))["kind"] == "repair"


def test_a_code_first_listed_as_not_tested_proves_no_clear_of_its_own(tmp_path: Path) -> None:
    """Every code a unit knows is in this state when the vehicle is new."""
    story = Story().scan(0, 5000, engine=[]).scan(30, 7000, engine=[f"{CODE}/50"])
    with told(tmp_path, story) as con:
        assert query(con, "FROM store.clear_events").is_empty()
