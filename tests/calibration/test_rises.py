"""What is new: found as soon as the counts of 1,000 vehicles let anyone find it."""

from statistics import median

import pytest

from tests.calibration.rises import N_MODELS, WITHIN_DAYS, cusum_finds, floor, found_after
from tests.calibration.rises_parts import BAD_KIND, Bad, search_parts
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


@pytest.mark.slow
def test_equal_parts_raise_hardly_an_alarm() -> None:
    """Brands, numbers and months of fitting of 12 kinds on 1,000 vehicles, looked at daily."""
    found = [len(search_parts(5000 + seed)) for seed in range(repeats(FLEETS))]
    years = round(len(found) * YEARS)
    counted(
        years, "years of 1,000 vehicles with equal parts looked at daily: false alarms", sum(found)
    )
    # with the 0.6 or 0.7 of groups of vehicles less than one
    assert sum(found) / years <= 0.25


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "least"), [(3.0, 0.0), (5.0, 0.3)])
def test_a_part_number_that_fails_more_often_from_a_month_on_is_found(
    factor: float, least: float
) -> None:
    """One of six numbers of a kind that is fitted 1,000 times a year."""
    bad, days = Bad(2, 300, N_DAYS, factor), 180
    delays = []
    for seed in range(repeats(FLEETS)):
        own = [each for each in search_parts(6000 + seed, bad) if each.fault.name == BAD_KIND]
        found = [each.rise.alarm_day - bad.from_day for each in own]
        delays.append(min((each for each in found if each >= 0), default=None))
    n = sum(each is not None and each <= days for each in delays)
    counted(
        len(delays),
        f"faults {factor:g} times as often after one of six numbers, about 14 fitted a month: not "
        f"found within {days} days",
        len(delays) - n,
    )
    assert n / len(delays) >= least
