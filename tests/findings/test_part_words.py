"""The sentence on a part's life: one count, a unit at every distance, no ratio of nothing."""

from types import SimpleNamespace
from typing import Any

from afterclear.finding_tables.registry import BY_NAME
from afterclear.wording.cells import Cells
from afterclear.wording.findings import finding_words

_PART: dict[str, Any] = {
    "n_failed": 6,
    "n_fitted": 11,
    "n_followed": 11,
    "km_observed": 98_452.0,
    "b10_km": 933.0,
    "b10_low_km": 143.0,
    "b10_high_km": 3_226.0,
    "life_ratio_to_peers": 0.43,
    "ratio_low": 0.01,
    "ratio_high": 4.19,
    "n_peers": 2,
    "n_peers_failed": 1,
    "flagged": False,
    "expected_km": None,
    "expected_source": None,
    "to_expected_high": None,
}


def told(**values: Any) -> str:
    row = SimpleNamespace(**{**_PART, **values})
    return finding_words(row, Cells(), BY_NAME["parts"]).replace("\u00a0", " ")


def test_every_distance_has_its_unit() -> None:
    """A page in miles turns what says km, and nothing else."""
    assert told() == (
        "6 of 11 parts failed in 98,452 km together. One in ten fails by 933 km (90 % interval "
        "143 km to 3,226 km). It lives 0.43 times as long as 2 other parts of the same family "
        "(95 % interval 0.01 to 4.19)."
    )
    assert "interval 143 km to no limit)" in told(b10_high_km=None)


def test_parts_fitted_but_not_followed_are_told_apart() -> None:
    """Beside it stands how many failed of those fitted: two counts in one line need a reason."""
    assert told(n_fitted=12).startswith("6 of 11 parts followed failed in 98,452 km together (12")
    assert told(n_failed=1, n_fitted=1, n_followed=1).startswith("1 of 1 part failed in")


def test_a_life_is_never_nothing_times_as_long() -> None:
    """Where no other part failed there is an upper limit of the ratio and no ratio."""
    nothing = {"life_ratio_to_peers": 0.0, "ratio_low": 0.0, "n_peers_failed": 0}
    text = told(**nothing)
    assert "0.00 times" not in text
    assert text.endswith(
        "Of 2 other parts of the same family none has failed: the ratio has no more than an upper "
        "limit, 4.19 (95 % interval)."
    )
    assert told(**nothing, flagged=True).endswith("(95 % interval): short-lived.")
    assert told(life_ratio_to_peers=None, ratio_low=None, ratio_high=None).endswith("3,226 km).")
