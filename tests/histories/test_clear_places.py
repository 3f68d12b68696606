"""Where a clear lies that nobody recorded: between the scans before and after it."""

from pathlib import Path

from afterclear.store.engine.database import query
from tests.histories.story import Story, told
from tests.histories.test_evidence import CODE
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
