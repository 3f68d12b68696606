"""Before and after a change, against the others: known formulas, a library, simulated fleets."""

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.random import Generator
from scipy import stats

from afterclear.estimators.arrays.validation import BoolArray, FloatArray
from afterclear.estimators.rates.before_after import (
    NOTHING,
    BeforeAfter,
    Compared,
    faults_before_after,
    fixes_before_after,
)
from tests.campaigns import counted, repeats

_RETURNS_KM = 2000.0  # failed fixes come back after so many km on average


def fleet(
    chance: Generator,
    n: tuple[int, int, int, int],
    shares: tuple[float, float, float],
    *,
    watched_km: float = np.inf,
) -> tuple[Compared, FloatArray, BoolArray]:
    """Simulate fixes at one changed site and six unlike others, two or three to a vehicle.

    ``n``: changed before and after, others before and after; ``shares``: that fail at the changed
    site before and after, and about which the others lie.  A failed fix is seen if it comes back
    within the km its vehicle is watched.
    """
    side = np.repeat(np.arange(4), n)
    is_touched, is_after = side < 2, (side % 2) == 1
    unit = np.where(is_touched, 0, chance.integers(1, 7, side.size))
    level = np.log(shares[2] / (1 - shares[2])) + chance.normal(0, 0.4, 7)[unit]
    share = np.where(is_touched, np.array(shares)[is_after.astype(int)], 1 / (1 + np.exp(-level)))
    failed = chance.random(side.size) < share
    vehicle = unit * 10_000 + chance.integers(0, max(n) // 2, side.size)
    km = chance.exponential(watched_km, side.size) if np.isfinite(watched_km) else np.inf
    back_km = chance.exponential(_RETURNS_KM, side.size)
    unseen = np.exp(-km / _RETURNS_KM) * np.ones(side.size)
    odds = np.where(failed & (back_km <= km), np.inf, unseen)
    return Compared(unit, is_touched, is_after, vehicle), odds, failed


def judged(rows: Compared, odds: FloatArray, usual: float = 0.18) -> BeforeAfter:
    return fixes_before_after(rows, odds, np.full(odds.size, usual))


def test_clustered_logistic_regression_finds_the_same() -> None:
    """statsmodels: Logit with a level for each unit, errors clustered by vehicle."""
    rows, odds, failed = fleet(np.random.default_rng(5), (900, 900, 4000, 4000), (0.2, 0.12, 0.2))
    x = np.column_stack(
        [np.eye(7)[rows.unit], rows.is_after, rows.is_after & rows.is_touched]
    ).astype(float)
    theirs = sm.Logit(failed.astype(float), x).fit(
        disp=0, cov_type="cluster", cov_kwds={"groups": rows.vehicle}
    )
    found = judged(rows, odds)
    without = x.copy()
    without[:, -1] = 0
    own = rows.is_touched & rows.is_after
    expected = theirs.predict(without)[own].mean()
    assert found.after == pytest.approx(failed[own].mean(), abs=0.002)
    assert found.expected == pytest.approx(expected, abs=0.003)
    z = stats.norm.isf(found.p_value / 2)
    assert z == pytest.approx(abs(theirs.tvalues[-1]), rel=0.06)
    # the ends are those of its log odds, taken at a share halfway
    odds_of = [share / (1 - share) for share in (found.after, found.expected)]
    assert np.log(odds_of[0] / odds_of[1]) == pytest.approx(theirs.params[-1], abs=0.02)


def test_clustered_poisson_regression_finds_the_same_rates() -> None:
    """statsmodels: GLM Poisson with km as exposure, errors clustered by vehicle."""
    chance = np.random.default_rng(7)
    vehicle = np.repeat(np.arange(400), 2)
    rows = Compared(vehicle // 100, vehicle < 100, np.tile([False, True], 400), vehicle)
    km = chance.uniform(5_000, 30_000, 800)
    frail = np.repeat(chance.gamma(2, 0.5, 400), 2)
    rate = 2e-4 * frail * np.where(rows.is_touched & rows.is_after, 0.6, 1.0)
    count = chance.poisson(rate * km).astype(float)
    x = np.column_stack(
        [np.eye(4)[rows.unit], rows.is_after, rows.is_after & rows.is_touched]
    ).astype(float)
    theirs = sm.GLM(count, x, family=sm.families.Poisson(), exposure=km).fit(
        cov_type="cluster", cov_kwds={"groups": vehicle}
    )
    plain = sm.GLM(count, x, family=sm.families.Poisson(), exposure=km).fit()
    found = faults_before_after(rows, count, km)
    assert np.log(found.ratio) == pytest.approx(theirs.params[-1], abs=0.01)
    error = np.log(found.high / found.low) / 2 / stats.t.ppf(0.975, 99)
    # vehicles driven before and after as far cannot make it surer than independent counts
    assert error == pytest.approx(max(theirs.bse[-1], plain.bse[-1]), rel=0.06)


def test_four_counts_give_the_ratio_of_ratios_with_its_known_error() -> None:
    """Rates 20 and 10 against 30 and 40 on equal km: 3/8, error root of the sum of 1 / n."""
    count = np.array([20.0, 10, 30, 40])
    rows = Compared(
        np.repeat([0, 1], 40),
        np.repeat([True, False], 40),
        np.tile(np.repeat([False, True], 20), 2),
        np.arange(80),
    )
    found = faults_before_after(rows, np.repeat(count / 20, 20), np.full(80, 10_000.0))
    assert found.ratio == pytest.approx(3 / 8, rel=0.05)
    error = np.log(found.high / found.low) / 2 / stats.t.ppf(0.975, 19)
    assert error == pytest.approx(np.sqrt((1 / count).sum()), rel=0.05)


def test_a_change_after_which_nothing_failed_still_has_ends_to_its_interval() -> None:
    side = np.repeat([0, 1, 2, 3], 60)
    failed = (np.arange(240) % 5 == 0) & (side != 1)
    rows = Compared((side >= 2).astype(int), side < 2, side % 2 == 1, np.arange(240))
    found = judged(rows, np.where(failed, np.inf, 0.0))
    assert 0 < found.low < found.ratio < found.high < 0.5
    assert found.after < 0.01


def test_fixes_nobody_checked_say_nothing() -> None:
    rows, odds, _ = fleet(np.random.default_rng(3), (80, 80, 200, 200), (0.2, 0.1, 0.2))
    found = judged(rows, odds)
    twice = Compared(*(np.tile(column, 2) for column in (rows.unit, rows.is_touched)),
                     np.tile(rows.is_after, 2), np.arange(2 * odds.size) + 99_999)  # fmt: skip
    vehicle = np.append(rows.vehicle, rows.vehicle)
    beside = judged(replace(twice, vehicle=vehicle), np.append(odds, np.ones(odds.size)))
    assert beside.p_value == pytest.approx(found.p_value, rel=0.05)
    assert beside.low == pytest.approx(found.low, rel=0.05)


def test_how_many_more_are_needed_is_about_how_many_would_do() -> None:
    chance = np.random.default_rng(11)
    shares = (0.18, 0.18, 0.18)
    few = judged(*fleet(chance, (400, 60, 2000, 2000), shares)[:2])
    assert not few.is_precise
    assert 20 < few.needed < 500
    with_them = (400, 60 + round(1.5 * few.needed), 2000, 2000)
    assert judged(*fleet(chance, with_them, shares)[:2]).is_precise


def test_too_little_before_is_not_mended_by_more_afterwards() -> None:
    few = judged(*fleet(np.random.default_rng(2), (25, 60, 500, 500), (0.18, 0.18, 0.18))[:2])
    assert np.isnan(few.needed)


def test_a_side_without_fixes_tells_nothing() -> None:
    rows, odds, _ = fleet(np.random.default_rng(1), (0, 50, 50, 50), (0.2, 0.2, 0.2))
    assert judged(rows, odds) is NOTHING


def test_shapes_and_shares_are_checked() -> None:
    rows, odds, _ = fleet(np.random.default_rng(1), (5, 5, 5, 5), (0.2, 0.2, 0.2))
    with pytest.raises(ValueError, match="usual"):
        judged(rows, odds, usual=1.0)
    with pytest.raises(ValueError, match="same shape"):
        judged(rows, odds[1:])


# fixes of the changed site before, and as many after; km watched; least share found
@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "watched_km", "least"),
    [(400, np.inf, 0.8), (400, 10_000.0, 0.8), (200, np.inf, 0.55), (200, 10_000.0, 0.4)],
)
def test_a_halved_share_is_found_and_an_equal_one_seldom(
    n: int, watched_km: float, least: float
) -> None:
    """18 to 9 of 100, unlike sites, fixes that nobody watches for long."""
    chance, times = np.random.default_rng(20261130), repeats(120)
    sides = (n, n, 3 * n, 3 * n)
    told = {0.18: 0, 0.09: 0}
    for share in told:
        for _ in range(times):
            rows, odds, _ = fleet(chance, sides, (0.18, share, 0.18), watched_km=watched_km)
            told[share] += judged(rows, odds).p_value < 0.05
    seen = "every fix seen" if np.isinf(watched_km) else "watched 10,000 km on average"
    counted(times, f"{n} fixes before and after, {seen}: a change told of none", told[0.18])
    counted(times, f"{n} fixes before and after, {seen}: 18 to 9 of 100 missed", times - told[0.09])
    # 5 % and 2 either way, and by how much so few fleets stray
    strays = 0.02 + 2 * np.sqrt(0.05 * 0.95 / times)
    assert abs(told[0.18] / times - 0.05) <= strays
    assert told[0.09] / times >= least - 2 * np.sqrt(least * (1 - least) / times)


@pytest.mark.slow
@pytest.mark.parametrize("n", [200, 400])
def test_a_halved_share_is_found_about_as_often_as_by_who_sees_all_and_knows_the_model(
    n: int,
) -> None:
    """The yardstick: likelihood ratio of statsmodels' Logit with a level for each site."""
    chance, times = np.random.default_rng(20261130 + n), repeats(20)
    ours = yardstick = 0
    for _ in range(times):
        rows, odds, failed = fleet(chance, (n, n, 3 * n, 3 * n), (0.18, 0.09, 0.18))
        ours += judged(rows, odds).p_value < 0.05
        effect = rows.is_after & rows.is_touched
        x = np.column_stack([np.eye(7)[rows.unit], rows.is_after, effect]).astype(float)
        full, none = (sm.Logit(failed.astype(float), part).fit(disp=0) for part in (x, x[:, :-1]))
        yardstick += stats.chi2.sf(2 * (full.llf - none.llf), 1) < 0.05
    said = f"{n} fixes before and after, every fix seen: 18 to 9 of 100 missed by"
    counted(times, f"{said} a logistic regression of the same fixes", times - yardstick)
    counted(times, f"{said} this, of the same fleets", times - ours)
    assert ours >= yardstick - max(2, 0.05 * times)


@pytest.mark.slow
def test_who_looks_each_month_is_seldom_wrong_by_the_interval_for_all_looks() -> None:
    chance, times = np.random.default_rng(30), repeats(60)
    once = always = 0
    for _ in range(times):
        rows, odds, _ = fleet(chance, (300, 520, 900, 1560), (0.18, 0.18, 0.18))
        month = np.where(rows.is_after, chance.integers(1, 14, odds.size), 0)
        looks = []
        for until in range(1, 14):
            own = month <= until
            part = Compared(*(getattr(rows, name)[own] for name in Compared.__slots__))
            looks.append(judged(part, odds[own]))
        once += any(look.p_value < 0.05 for look in looks)
        always += any(look.low_always > 1 or look.high_always < 1 for look in looks)
    counted(times, "13 looks at nothing changed: told by the interval for one look", once)
    counted(times, "13 looks at nothing changed: told by the interval for all looks", always)
    assert once / times > 0.08  # why the interval for one look is not enough
    assert always / times <= 0.05
