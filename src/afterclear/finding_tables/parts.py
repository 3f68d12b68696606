"""How long parts last, the claim sheet, and what had to be left out."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

METHODS: Final[dict[str, str]] = {  # by the rule for few failures in ``few_failures``
    "none": mark("never observed"),
    "bound": mark("Weibull with the usual shape; no failure yet: lower bound only (90 %)"),
    "prior": mark("Weibull with a prior on the shape, 1 to 9 failures (90 % interval)"),
    "likelihood": mark("Weibull by maximum likelihood, likelihood ratio interval (90 %)"),
}
TESTS: Final[dict[str, str]] = {
    "shuffling": mark("log-rank by shuffling, in strata of platform and place"),
    "mid_p": mark("log-rank counts by mid-p, in strata of platform and place"),
}
LEFT_OUT: Final[dict[str, str]] = {
    "age_unknown": mark("the age of the part found there is not known"),
    "gone_before": mark("replaced before observation began"),
    "same_km": mark("replaced twice at one distance"),
    "km_unknown": mark("the distance at the work is not known"),
}
# the source that ``config/part_life.toml`` ships with; others are quoted
_SOURCES: Final[dict[str, str]] = {"common practice, no source": mark("common practice, no source")}


@dataclass(frozen=True, slots=True)
class Part:
    """How long a part lasts, and how that compares."""

    part_number: Annotated[str | None, Means("as on the orders; empty: of a family or brand")]
    part_brand: Annotated[str | None, Means("its brand")]
    part_family: Annotated[str, Means("what part it is")]
    position: Annotated[str | None, Means("where it sits")]
    n_fitted: Annotated[int, Means("fitted, by the orders")]
    n_failed: Annotated[int, Means("of those followed, failed")]
    km_observed: Annotated[float, Means("km all ran together", "km")]
    b10_km: Annotated[float | None, Means("km by which one in ten has failed", "km")]
    b10_low_km: Annotated[float | None, Means("lower end of its 90 % interval", "km")]
    b10_high_km: Annotated[float | None, Means("upper end; empty: no limit", "km")]
    shape: Annotated[float | None, Means("Weibull shape: below 1 early failures, above 1 wear")]
    life_ratio_to_peers: Annotated[
        float | None, Means("how many times as long as the others of the family", "times")
    ]
    ratio_low: Annotated[float | None, Means("lower end of its 95 % interval", "times")]
    ratio_high: Annotated[float | None, Means("upper end; empty: no limit", "times")]
    q_value: Annotated[float | None, Means("share of false flags up to this row")]
    flagged: Annotated[bool | None, Means("short-lived, beyond chance")]
    method: Annotated[str, Means("how its life was estimated", words=METHODS)]
    grouping: Annotated[str, Means("what the row stands for: family, brand, number or place")]
    family_label: Annotated[str, Means("what people call the family")]
    part_grades: Annotated[str | None, Means("its grades")]
    n_followed: Annotated[int, Means("parts whose life is known")]
    n_preventive: Annotated[int, Means("removed for prevention")]
    n_accident: Annotated[int, Means("removed after an accident")]
    n_unknown_reason: Annotated[int, Means("removed for a reason nobody noted")]
    n_lost_sight: Annotated[int, Means("lost sight of")]
    n_late_entry: Annotated[int, Means("watched from later than their fitting")]
    shape_low: Annotated[float | None, Means("lower end of the shape's interval")]
    shape_high: Annotated[float | None, Means("upper end")]
    pattern: Annotated[str | None, Means("early, random or wear-out")]
    p_value: Annotated[float | None, Means("of the test against the others of the family")]
    test: Annotated[str | None, Means("which test that is", words=TESTS)]
    n_peers: Annotated[int | None, Means("other parts of the family")]
    n_peers_failed: Annotated[int | None, Means("of these, failed")]
    n_strata: Annotated[int | None, Means("models and places in which both were fitted")]
    share_failed_at_horizon: Annotated[float | None, Means("share failed by then", "share")]
    horizon_km: Annotated[float | None, Means("as far as five or more were followed", "km")]
    expected_km: Annotated[float | None, Means("what `part_life.toml` expects", "km")]
    expected_source: Annotated[str | None, Means("who says so", words=_SOURCES)]
    life_to_expected: Annotated[float | None, Means("B10 over what is expected")]
    to_expected_low: Annotated[float | None, Means("lower end of its interval")]
    to_expected_high: Annotated[float | None, Means("upper end")]
    first_failed_km: Annotated[float | None, Means("km after which the first had failed", "km")]
    n_not_held: Annotated[
        int | None, Means("taken out again since the repair had most likely not held")
    ]


@dataclass(frozen=True, slots=True)
class Claim:
    """One unit of a part, from fitting to removal, or to the last time it was known to be in."""

    part_number: Annotated[str | None, Means("as on the order")]
    part_brand: Annotated[str | None, Means("its brand")]
    part_grade: Annotated[str | None, Means("its grade")]
    part_family: Annotated[str, Means("what part it is")]
    position: Annotated[str | None, Means("where it sits")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    fitted_at: Annotated[datetime | None, Means("when it was fitted")]
    fitted_km: Annotated[float | None, Means("odometer then", "km")]
    fitted_repair_id: Annotated[str | None, Means("the work order")]
    fitted_site: Annotated[str | None, Means("where")]
    ended_by: Annotated[
        str, Means("failure, preventive, accident, unknown, not_held, in_service, lost_sight")
    ]
    removed_at: Annotated[datetime | None, Means("when it was removed")]
    removed_km: Annotated[float | None, Means("odometer then", "km")]
    removed_repair_id: Annotated[str | None, Means("the work order")]
    removed_site: Annotated[str | None, Means("where")]
    km_run: Annotated[float, Means("km it ran", "km")]
    km_unwatched: Annotated[float, Means("of these, before anyone watched", "km")]
    is_factory: Annotated[bool, Means("fitted by the maker of the vehicle")]
    part_cost: Annotated[float | None, Means("its price", "money")]
    currency: Annotated[str | None, Means("of the price")]
    number_on_order: Annotated[str | None, Means("the number as the order spells it")]
    failed: Annotated[bool, Means("its end counts as a failure")]
    p_fix_failed: Annotated[
        float | None, Means("chance that the fault it was fitted for was never cured")
    ]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Parts whose lifetimes are not known."""

    reason: Annotated[str, Means("why", words=LEFT_OUT)]
    n: Annotated[int, Means("how many")]


Told = Literal["estimate", "at_most", "at_least", "too_few", "beside_weak", "nothing"]
Standing = Literal["short_lived", "long_lived", "ordinary"]
_Q_BELOW = 0.05  # as parts are flagged
# an interval wider than this factor is too wide to defend (own judgement)
_WIDEST = 20.0


def life_told(row: Part) -> Told:
    """How much of a part's lifetime can be given: an estimate, one end of its interval, or neither.

    One part in ten cannot have failed long before the first failure that was seen: in that case
    only the upper end is given.
    """
    low, high = row.b10_low_km, row.b10_high_km
    if row.b10_km is None:
        return "too_few" if low is None else "at_least"
    if low is None or high is None or high > _WIDEST * low:
        return "too_few"
    first = row.first_failed_km
    return "at_most" if first is not None and row.b10_km < first else "estimate"


def ratio_told(row: Part) -> Told:
    """How much of the comparison with other parts can be given.

    One end of an interval is a claim of its own: it is given where the test agrees that chance does
    not explain the difference. Otherwise too few have failed.
    """
    if row.life_ratio_to_peers is None:
        return "beside_weak" if row.n_peers else "nothing"
    low, high = row.ratio_low or 0.0, row.ratio_high
    if high is not None and (row.n_peers_failed or 0) > 0 and high <= _WIDEST * low:
        return "estimate"
    if not _is_beyond_chance(row):
        return "too_few"
    if high is not None and high < 1:
        return "at_most"
    return "at_least" if low > 1 else "too_few"


def _is_beyond_chance(row: Part) -> bool:
    return row.q_value is not None and row.q_value < _Q_BELOW


def part_standing(row: Part) -> Standing:
    """How a part's life compares, beyond chance: one answer for sentence, table and picture."""
    if ratio_told(row) in {"nothing", "beside_weak", "too_few"}:
        return "ordinary"
    if row.flagged:
        return "short_lived"
    is_longer = (row.ratio_low or 0.0) > 1 and _is_beyond_chance(row)
    return "long_lived" if is_longer else "ordinary"


def is_short_lived(row: Part) -> bool:
    """Whether a part or brand fails sooner than others like it, beyond chance."""
    return part_standing(row) == "short_lived"


def _looks_different(row: Part) -> bool:
    """Whether the interval leaves out 1 though the difference is within chance."""
    low, high = row.ratio_low or 0.0, row.ratio_high
    is_out = low > 1 or (high is not None and high < 1)
    return ratio_told(row) == "estimate" and part_standing(row) == "ordinary" and is_out


FINDINGS: Final = (
    Finding(
        "parts",
        Part,
        about="how long parts live, against like parts and expectation",
        order='part_family, "grouping", part_brand, part_number, position',
        says=(
            (
                Clause(
                    counted(
                        "{n_failed} of {n_followed} part failed in {km_observed} together.",
                        "{n_failed} of {n_followed} parts failed in {km_observed} together.",
                    ),
                    lambda row: row.n_followed == row.n_fitted,
                    "n_followed",
                ),
                Clause(
                    counted(
                        "{n_failed} of {n_followed} part followed failed in {km_observed} together "
                        "({n_fitted} fitted).",
                        "{n_failed} of {n_followed} parts followed failed in {km_observed} "
                        "together ({n_fitted} fitted).",
                    ),
                    count="n_followed",
                ),
            ),
            (
                Clause(
                    counted(
                        " {n_not_held} more was taken out again, most likely because the repair "
                        "had not held.",
                        " {n_not_held} more were taken out again, most likely because the repair "
                        "had not held.",
                    ),
                    lambda row: (row.n_not_held or 0) > 0,
                    "n_not_held",
                ),
            ),
            (
                Clause(
                    mark(
                        " One in ten fails by {b10_km} (likely between {b10_low_km} and "
                        "{b10_high_km})."
                    ),
                    lambda row: life_told(row) == "estimate",
                ),
                Clause(
                    mark(" One in ten fails by {b10_high_km} at the latest (95 % sure)."),
                    lambda row: life_told(row) == "at_most",
                ),
                Clause(
                    mark(" At least nine in ten reach {b10_low_km} (90 % sure)."),
                    lambda row: life_told(row) == "at_least",
                ),
                Clause(mark(" Too few have failed to say how long such parts last.")),
            ),
            (
                Clause(
                    counted(
                        " It lasts {life_ratio_to_peers} as long as {n_peers} other "
                        "part of the same kind (likely between {ratio_low} and {ratio_high})",
                        " It lasts {life_ratio_to_peers} as long as {n_peers} other "
                        "parts of the same kind (likely between {ratio_low} and {ratio_high})",
                    ),
                    lambda row: ratio_told(row) == "estimate",
                    "n_peers",
                ),
                Clause(
                    counted(
                        " It lasts at most {ratio_high} as long as {n_peers} other part of "
                        "the same kind (95 % sure)",
                        " It lasts at most {ratio_high} as long as {n_peers} other parts of "
                        "the same kind (95 % sure)",
                    ),
                    lambda row: ratio_told(row) == "at_most",
                    "n_peers",
                ),
                Clause(
                    counted(
                        " It lasts at least {ratio_low} as long as {n_peers} other part of "
                        "the same kind (95 % sure)",
                        " It lasts at least {ratio_low} as long as {n_peers} other parts of "
                        "the same kind (95 % sure)",
                    ),
                    lambda row: ratio_told(row) == "at_least",
                    "n_peers",
                ),
                Clause(
                    counted(
                        " Too few have failed to compare it with {n_peers} other part of the same "
                        "kind",
                        " Too few have failed to compare it with {n_peers} other parts of the "
                        "same kind",
                    ),
                    lambda row: ratio_told(row) == "too_few",
                    "n_peers",
                ),
            ),
            (
                Clause(mark(": short-lived."), is_short_lived),
                Clause(
                    mark(": no clear difference, as many parts are compared at once."),
                    _looks_different,
                ),
                Clause(
                    counted(
                        " It is not compared: the {n_peers} other part is a short-lived part.",
                        " It is not compared: most of the {n_peers} other parts are one "
                        "short-lived part.",
                    ),
                    lambda row: ratio_told(row) == "beside_weak",
                    "n_peers",
                ),
                Clause(
                    mark(" No other part of the same kind was fitted to compare it with."),
                    lambda row: row.n_peers == 0,
                ),
                Clause(".", lambda row: ratio_told(row) != "nothing"),
            ),
            (
                Clause(
                    mark(" Less than the {expected_km} expected ({expected_source})."),
                    lambda row: row.to_expected_high is not None and row.to_expected_high < 1,
                ),
            ),
        ),
    ),
    Finding(
        "claims",
        Claim,
        about="one row a part fitted, from fitting to removal",
        order="part_family, part_brand, part_number, km_run, vehicle_id, position, fitted_km",
    ),
    Finding(
        "parts_left_out",
        LeftOut,
        about="parts whose lives could not be told, and why",
        order="reason",
        says=((Clause("{reason}"),),),
    ),
)
