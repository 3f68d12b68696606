"""Windows, onsets and verdicts of invented fleets are those the tool makes of their rows."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from afterclear.findings.verdicts import judge_attempts
from afterclear.store.engine.database import query
from tests.calibration.fleet import Fleet, simulate
from tests.calibration.judged import told
from tests.calibration.laws import CODES, UNITS, Laws
from tests.calibration.scores import HELD_BELOW
from tests.calibration.through_store import in_store


@pytest.mark.slow
def test_windows_and_onsets_are_those_of_the_histories(tmp_path: Path) -> None:
    """Twelve vehicles over four years; km agree to the metre the rows were rounded to."""
    fleet = simulate(Laws(n_vehicles=12, stray_clears_per_year=0.5), 3, keep_rows=True)
    names = {code: number for number, (code, *_) in enumerate(CODES)}
    with in_store(tmp_path, fleet) as con:
        found = query(
            con,
            """SELECT vehicle_id, code, kind, is_repeat, attempted_km, clean_km, returned,
                   unwatched_km, may_wear, part_brand
               FROM store.attempts ORDER BY ALL""",
        ).to_dicts()
        watched = query(con, "FROM store.watched").to_dicts()
        judge_attempts(con, HELD_BELOW)
        verdicts = query(
            con,
            """SELECT vehicle_id, code, attempted_km, p_not_held, p_same_fault, p_worn
               FROM store.attempts JOIN store.verdicts USING (attempt_id)""",
        ).to_dicts()
        onsets = query(con, "FROM store.onsets").to_dicts()
    made = {
        (int(r["vehicle_id"][1:]), names[r["code"]], round(r["attempted_km"])): r for r in found
    }
    assert len(made) == len(fleet.tries) > 50
    for tried in fleet.tries:
        row = made[tried.vehicle, tried.fault, round(tried.km)]
        high = row["clean_km"] + row["unwatched_km"] if row["returned"] else np.inf
        np.testing.assert_allclose(
            [row["clean_km"], high], [tried.clean_km, tried.back_km], atol=0.1
        )
        assert (row["kind"] == "repair") == tried.is_repair
        assert row["is_repeat"] == tried.is_repeat
        assert bool(row["may_wear"]) == tried.is_repair
        assert (row["part_brand"] is not None) == tried.is_repair
    _hold_verdicts_together(fleet, verdicts)
    for row in watched:
        expected = fleet.watched_km[int(row["vehicle_id"][1:]), UNITS.index(row["ecu"])]
        np.testing.assert_allclose(row["km"], expected, atol=0.5)
    by_family = {(f.vehicle, CODES[f.fault][1]): f for f in fleet.firsts}
    assert len(onsets) == len(by_family)
    for row in onsets:
        first = by_family[int(row["vehicle_id"][1:]), row["family"]]
        gap = np.nan if row["gap_km"] is None else row["gap_km"]
        np.testing.assert_allclose(
            [row["before_km"], gap], [first.before_km, first.gap_km], atol=0.5
        )


def _hold_verdicts_together(fleet: Fleet, verdicts: list[dict[str, Any]]) -> None:
    """Find the same chances, to half a per cent: km are rounded, sums run in another order."""
    fast = told(fleet)
    by_place = {(r["vehicle_id"], r["code"], round(r["attempted_km"])): r for r in verdicts}
    for place, tried in enumerate(fleet.tries):
        row = by_place[f"V{tried.vehicle:05d}", CODES[tried.fault][0], round(tried.km)]
        for name in ("p_not_held", "p_same_fault", "p_worn"):
            value = np.nan if row[name] is None else row[name]
            np.testing.assert_allclose(value, getattr(fast, name)[place], atol=0.005)
