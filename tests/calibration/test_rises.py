"""What is new: found as soon as the counts of 1,000 vehicles let anyone find it."""

from statistics import median

import pytest

from tests.calibration.rises import N_MODELS, WITHIN_DAYS, cusum_finds, floor, found_after
from tests.calibration.rises_whole import N_DAYS, search_whole
from tests.campaigns import counted, repeats

FLEETS = 10  # a campaign draws 50 with ``--times 5``
YEARS = (N_DAYS - 60) / 365  # in which a rise may be told


def in_time(delays: list[int | None]) -> int:
    """Count the fleets whose rise was found within the days."""
    return sum(each is not None and each <= WITHIN_DAYS for each in delays)


@pytest.mark.slow
@pytest.mark.parametrize("per_year", [5, 25, 100])
def test_no_search_without_the_day_beats_the_one_that_knows_it(per_year: float) -> None:
    assert 0 < cusum_finds(per_year) < floor(per_year)


@pytest.mark.slow
@pytest.mark.parametrize(("per_year", "least"), [(10, 0.0), (25, 0.0), (50, 0.1), (100, 0.7)])
def test_a_tripled_component_is_found_where_its_model_has_onsets_enough(
    per_year: float, least: float
) -> None:
    found = [found_after(per_year, seed) for seed in range(repeats(FLEETS))]
    n = in_time(found)
    delays = [each for each in found if each is not None]
    half = f", half of all by day {median(delays):.0f}" if 2 * len(delays) > len(found) else ""
    counted(
        len(found),
        f"a component tripled in one of {N_MODELS} models, {per_year} onsets a year there: not "
        f"found in {WITHIN_DAYS} days (who knows the day finds {floor(per_year):.0%}, CUSUMs that "
        f"know all but the day {cusum_finds(per_year):.0%})",
        len(found) - n,
    )
    print(f"{per_year} a year: {n} of {len(found)} in time{half}")
    assert n / len(found) >= least
    # three standard errors above what can be found at all
    limit = floor(per_year)
    assert n / len(found) <= limit + 3 * (limit * (1 - limit) / len(found)) ** 0.5


@pytest.mark.slow
@pytest.mark.parametrize("per_year", [50, 100])
def test_all_faults_of_a_model_tripled_are_found(per_year: float) -> None:
    found = [found_after(per_year, seed, components=1) for seed in range(repeats(FLEETS))]
    n = in_time(found)
    counted(
        len(found),
        f"all faults tripled in one of {N_MODELS} models, {per_year} onsets a year there: not "
        f"found in {WITHIN_DAYS} days (who knows the day finds {floor(per_year, N_MODELS):.0%})",
        len(found) - n,
    )
    assert n / len(found) >= (0.6 if per_year >= 100 else 0.2)


@pytest.mark.slow
@pytest.mark.parametrize(("per_year", "fleets"), [(10, FLEETS), (50, FLEETS // 2)])
def test_equal_fleets_looked_at_daily_raise_less_than_one_alarm_a_year(
    per_year: float, fleets: int
) -> None:
    """1,000 vehicles and 12 components through the whole search: fleet, models, years, sites."""
    found = [len(search_whole(per_year, 1000 + seed)) for seed in range(repeats(fleets))]
    years = round(len(found) * YEARS)
    counted(
        years,
        f"years of 1,000 equal vehicles looked at daily, {per_year} onsets of a component a year "
        "in a model, all groups: false alarms",
        sum(found),
    )
    print(f"{per_year} a year: {sum(found)} false alarms in {years} years")
    assert sum(found) / years <= 1
