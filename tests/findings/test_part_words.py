"""The sentence on a part's life: one count, a unit at every distance, no ratio of nothing."""

from types import SimpleNamespace
from typing import Any

import pytest

from afterclear.finding_tables.parts import part_standing
from afterclear.finding_tables.registry import BY_NAME
from afterclear.wording.cells import Cells
from afterclear.wording.findings import finding_words

_PART: dict[str, Any] = {
    "n_failed": 6,
    "n_fitted": 11,
    "n_followed": 11,
    "km_observed": 98_452.0,
    "b10_km": 933.0,
    "b10_low_km": 343.0,
    "b10_high_km": 3_226.0,
    "life_ratio_to_peers": 0.43,
    "ratio_low": 0.25,
    "ratio_high": 4.19,
    "n_peers": 2,
    "n_peers_failed": 1,
    "first_failed_km": 850.0,
    "n_not_held": 0,
    "flagged": False,
    "expected_km": None,
    "expected_source": None,
    "to_expected_high": None,
    "q_value": 0.01,
}


def _row(**values: Any) -> Any:
    return SimpleNamespace(**{**_PART, **values})


def told(**values: Any) -> str:
    return finding_words(_row(**values), Cells(), BY_NAME["parts"]).replace("\u00a0", " ")


def test_every_distance_has_its_unit() -> None:
    """A page in miles turns what says km, and nothing else."""
    assert told() == (
        "6 of 11 parts failed in 98,452 km together. One in ten fails by 933 km (likely between "
        "343 km and 3,226 km). It lasts 43 % as long as 2 other parts of the same kind "
        "(likely between 25 % and 4.2 times)."
    )


def test_parts_fitted_but_not_followed_are_told_apart() -> None:
    """Beside it stands how many failed of those fitted: two counts in one line need a reason."""
    assert told(n_fitted=12).startswith("6 of 11 parts followed failed in 98,452 km together (12")
    assert told(n_failed=1, n_fitted=1, n_followed=1).startswith("1 of 1 part failed in")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        # nobody can defend that one in ten fails long before the first that did
        ({"first_failed_km": 2_859.0}, "One in ten fails by 3,226 km at the latest (95 % sure)."),
        ({"b10_high_km": None}, "Too few have failed to say how long such parts last."),
        ({"b10_high_km": 7_000.0}, "Too few have failed to say how long such parts last."),
        ({"b10_km": None, "b10_high_km": None}, "At least nine in ten reach 343 km (90 % sure)."),
        (
            {"ratio_low": 0.19, "ratio_high": 1206.85, "life_ratio_to_peers": 76.81},
            "Too few have failed to compare it with 2 other parts of the same kind.",
        ),
        (
            {"ratio_low": 5.93, "ratio_high": 367.84},
            "It lasts at least 5.9 times as long as 2 other parts of the same kind (95 %",
        ),
        (
            {"n_peers_failed": 0, "ratio_low": 0.0, "life_ratio_to_peers": 0.0},
            "Too few have failed to compare it with 2 other parts of the same kind.",
        ),
        (
            {"n_peers_failed": 0, "ratio_low": 0.0, "ratio_high": 0.77, "flagged": True},
            "It lasts at most 77 % as long as 2 other parts of the same kind (95 %",
        ),
    ],
)
def test_an_interval_too_wide_is_told_as_a_bound_or_as_too_few(
    values: dict[str, Any], said: str
) -> None:
    assert said in told(**values)


def test_without_others_nothing_is_compared() -> None:
    """Three reasons, three sentences: a family, a part without others, others that are weak."""
    nothing = {"life_ratio_to_peers": None, "ratio_low": None, "ratio_high": None}
    assert told(**nothing, n_peers=None).endswith("3,226 km).")
    assert told(**nothing, n_peers=0).endswith("No other part of the same kind was fitted to "
                                               "compare it with.")  # fmt: skip
    assert told(**nothing, n_peers=31).endswith("It is not compared: most of the 31 other parts "
                                                "are one short-lived part.")  # fmt: skip


def test_a_bound_that_chance_explains_is_no_result() -> None:
    """A bound of 0.77 beside the words "no clear difference" said two things of one part."""
    bound = {"n_peers_failed": 0, "ratio_low": 0.0, "ratio_high": 0.77, "life_ratio_to_peers": 0.0}
    by_chance = told(**bound, q_value=0.15)
    assert by_chance.endswith("Too few have failed to compare it with 2 other parts of the same "
                              "kind.")  # fmt: skip
    inside = told(ratio_low=0.2, ratio_high=0.9, q_value=0.15)
    assert inside.endswith("(likely between 20 % and 90 %): no clear difference, as many parts are "
                           "compared at once.")  # fmt: skip
    assert part_standing(_row(ratio_low=1.5, ratio_high=9.0, q_value=0.01)) == "long_lived"
    assert part_standing(_row(ratio_low=1.5, ratio_high=9.0, q_value=0.15)) == "ordinary"
