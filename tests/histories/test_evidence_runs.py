"""Evidence kept by runs: the view gives back every scan, as it was judged."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.histories.evidence_runs import evidence_runs

_STEPS = {
    "fix_no": pl.Int64,
    "scan_no": pl.Int64,
    "finding": pl.String,
    "reason": pl.String,
    "monitor": pl.String,
    "needed_km": pl.Float64,
    "clear_km": pl.Float64,
    "km": pl.Float64,
    "stretch_from_km": pl.Float64,
}


def steps_of(rows: list[tuple[int, str, bool]]) -> pl.DataFrame:
    """One attempt's steps: scans left out, finding, whether a stretch begins at the scan before."""
    scan, told = 0, []
    for left_out, finding, goes_on in rows:
        scan += 1 + left_out
        begins = 10.0 * (scan - 1) if goes_on else 10.0 * scan - 5
        stretch = begins if finding == "clean" else None
        told.append((1, scan, finding, "why", None, None, None, 10.0 * scan, stretch))
    return pl.DataFrame(told, schema=_STEPS, orient="row")


@given(
    st.lists(
        st.tuples(st.sampled_from((0, 0, 1)), st.sampled_from(("clean", "sign")), st.booleans()),
        max_size=9,
    )
)
def test_runs_hold_what_their_steps_held(rows: list[tuple[int, str, bool]]) -> None:
    steps = steps_of(rows)
    given_back = [
        (
            run["first_scan_no"] + nth,
            run["finding"],
            (10.0 * (run["first_scan_no"] + nth - 1) if nth else run["stretch_from_km"])
            if run["finding"] == "clean"
            else None,
        )
        for run in evidence_runs(steps).to_dicts()
        for nth in range(run["n_scans"])
    ]
    assert given_back == steps.select("scan_no", "finding", "stretch_from_km").rows()


@pytest.mark.parametrize("n", [1, 50])
def test_scans_that_prove_the_same_are_one_row(n: int) -> None:
    (run,) = evidence_runs(steps_of([(0, "clean", True)] * n)).to_dicts()
    assert (run["first_scan_no"], run["n_scans"], run["stretch_from_km"]) == (1, n, 0.0)
