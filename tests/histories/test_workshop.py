"""Stories of ordinary workshops: tools, clocks and work orders that do not tell all.

Each is small enough to be judged by hand; the work is done at 1000 km unless a story says
otherwise.
"""

from pathlib import Path

import pytest

from afterclear.store.database import query
from tests.histories.story import Story, attempts, episodes, told
from tests.histories.test_evidence import CODE, only


@pytest.mark.parametrize("name", ["engine", "ECM", "Engine Control Module"])
def test_a_clear_names_its_unit_as_another_tool_would(tmp_path: Path, name: str) -> None:
    """Scans say engine, the clear says ECM: the memory was emptied, and the code came back."""
    story = Story().scan(0, 1000, engine=[CODE], brakes=[]).clear(0.2, 1000, ecu=name)
    with told(tmp_path, story.scan(30, 1400, engine=[CODE])) as con:
        attempt = only(attempts(con))
        assert (attempt["kind"], attempt["returned"]) == ("clear_only", True)
        assert (attempt["stayed"], attempt["unwatched_km"]) == (False, 400)
        assert query(con, "SELECT DISTINCT ecu FROM store.clear_events").rows() == [("engine",)]


def test_a_name_two_units_of_a_vehicle_share_clears_the_one_it_was_told_of(
    tmp_path: Path,
) -> None:
    """ECM and engine answer in one scan, so they are two here: a clear of ECM is no other's."""
    story = Story().scan(0, 1000, ECM=[CODE], engine=[CODE]).clear(0.2, 1000, ecu="ECM")
    with told(tmp_path, story) as con:
        assert query(con, "SELECT ecu FROM store.clear_events").rows() == [("ECM",)]


def test_a_code_that_stays_while_another_leaves_is_one_episode(tmp_path: Path) -> None:
    """P0301 aged out or was mended; P0420 is in every scan, so it never ended."""
    story = Story().scan(0, 1000, engine=["P0420", CODE])
    for day in (30, 60, 90):
        story.scan(day, 1000 + 100 * day, engine=["P0420"])
    with told(tmp_path, story.clear(91, 10_100)) as con:
        ends = {e["code"]: (e["n_scans"], e["ended_by"]) for e in episodes(con)}
        assert ends == {CODE: (1, "clean_scan"), "P0420": (4, "clear")}


def test_a_return_after_work_at_an_unknown_distance_claims_none(tmp_path: Path) -> None:
    """No reading within 90 days of the work: it came back, but nobody knows after how many km."""
    story = Story().scan(0, None, engine=[CODE]).repair(0.1, codes=CODE, action="replace")
    story.clear(0.2).scan(200, 8000, engine=[CODE])
    with told(tmp_path, story) as con:
        attempt = only(attempts(con))
        assert (attempt["returned"], attempt["unwatched_km"]) == (True, None)
