"""Rates, against published figures, other programs, and laws."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from afterclear.estimators.rates.rates import (
    benjamini_hochberg,
    exact_poisson_interval,
    onset_rates,
    poisson_excess_p,
    rate_ratios,
    shrunken_rates,
)

# 10 pairs of scans at each distance, of which so many had a dirty second scan
PAIR_KM = np.array([1000.0, 3000.0, 6000.0, 12000.0])
N_PAIRS, N_DIRTY = 10, np.array([1, 2, 4, 6])


def _example() -> tuple[np.ndarray, float]:
    return np.repeat(PAIR_KM, N_DIRTY), float((N_PAIRS - N_DIRTY) @ PAIR_KM)


# --- onset rates ------------------------------------------------------------------------------


def test_the_onset_rate_is_that_of_a_binomial_model_with_complementary_log_log_link() -> None:
    """By statsmodels GLM, Binomial(CLogLog), offset ln km; Newton: observed information."""
    dirty, clean = _example()
    found = onset_rates(np.zeros(dirty.size, dtype=int), dirty, [clean])
    is_dirty = np.concatenate([np.r_[np.ones(d), np.zeros(N_PAIRS - d)] for d in N_DIRTY])
    offset = np.log(np.repeat(PAIR_KM, N_PAIRS))
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    model = sm.GLM(is_dirty, np.ones((is_dirty.size, 1)), family=family, offset=offset)
    reference = model.fit(method="newton", tol=1e-14)
    assert found.rate_per_km[0] == pytest.approx(np.exp(reference.params[0]), rel=1e-8)
    assert found.log_se[0] == pytest.approx(reference.bse[0], rel=1e-6)


def test_the_onset_rate_of_the_worked_example() -> None:
    """8.03900e-5 per km: R 4 glm, binomial(cloglog), and by hand with a root finder.

    R's standard error of the logarithm, .28411, is from expected information, for which each
    clean pair's distance would be needed; from observed information it is .28320.
    """
    dirty, clean = _example()
    found = onset_rates(np.zeros(dirty.size, dtype=int), dirty, [clean])
    assert found.rate_per_km[0] == pytest.approx(8.03900e-5, rel=1e-6)
    rate = found.rate_per_km[0]
    x = rate * PAIR_KM
    expected_information = N_PAIRS * np.sum(x**2 * np.exp(-x) / -np.expm1(-x))
    assert 1 / np.sqrt(expected_information) == pytest.approx(0.28411, abs=5e-6)
    assert found.log_se[0] == pytest.approx(0.28411, rel=4e-3)


def test_the_onset_rate_balances_its_likelihood_equation_in_every_group() -> None:
    rng = np.random.default_rng(20)
    group = rng.integers(0, 50, 400)
    dirty, clean = rng.uniform(10, 30_000, 400), rng.uniform(1e3, 1e6, 50)
    rate = onset_rates(group, dirty, clean).rate_per_km
    left = np.bincount(group, dirty / np.expm1(rate[group] * dirty), minlength=50)
    np.testing.assert_allclose(left, clean, rtol=1e-9)


def test_groups_do_not_touch_each_other_nor_does_the_order_of_rows() -> None:
    dirty, clean = _example()
    alone = onset_rates(np.zeros(dirty.size, dtype=int), dirty, [clean])
    other = onset_rates(
        np.r_[np.full(dirty.size, 2), [0]], np.r_[dirty[::-1], [50.0]], [3000.0, 10.0, clean]
    )
    assert other.rate_per_km[2] == pytest.approx(alone.rate_per_km[0], rel=1e-12)
    assert other.n_onsets.tolist() == [1, 0, 13]


def test_short_distances_make_it_onsets_per_km() -> None:
    """At rate x km -> 0: n / (clean km + half of the dirty km)."""
    found = onset_rates([0, 0], [1.0, 2.0], [1e6])
    assert found.rate_per_km[0] == pytest.approx(2 / (1e6 + 1.5), rel=1e-9)


def test_what_cannot_be_estimated_says_so() -> None:
    """No onset: 0.  No clean stretch: no upper limit.  Neither: nothing."""
    found = onset_rates([1], [500.0], [4000.0, 0.0, 0.0])
    np.testing.assert_array_equal(found.rate_per_km, [0.0, np.inf, np.nan])
    assert np.isnan(found.log_se).all()
    np.testing.assert_array_equal(found.exposure_km, [4000.0, 250.0, 0.0])


def test_one_very_long_stretch_does_not_overflow() -> None:
    found = onset_rates([0, 0], [1e6, 1.0], [2.0])
    rate = found.rate_per_km[0]
    assert 1 / np.expm1(rate) == pytest.approx(2.0, rel=1e-9)  # the long one says nothing


def test_an_onset_of_a_group_without_clean_km_entry_is_refused() -> None:
    with pytest.raises(ValueError, match="group goes up to 3, but clean_km has 2 groups"):
        onset_rates([3], [100.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="dirty_km must be more than 0"):
        onset_rates([0], [0.0], [1.0])


# --- Poisson intervals and tests --------------------------------------------------------------

# count, exact 95 % limits: scipy and statsmodels (confint_poisson exact-c); 10 also stands in
# published tables of Poisson limits as 4.795 to 18.390 (from memory)
POISSON_LIMITS = [
    (0, 0.0, 3.688879),
    (1, 0.025318, 5.571643),
    (3, 0.618672, 8.767273),
    (5, 1.623486, 11.668332),
    (10, 4.795389, 18.390356),
    (20, 12.216520, 30.888378),
]


@pytest.mark.parametrize(("count", "low", "high"), POISSON_LIMITS)
def test_exact_poisson_limits_are_the_tabulated_ones(count: int, low: float, high: float) -> None:
    found_low, found_high = exact_poisson_interval([count])
    assert found_low[0] == pytest.approx(low, abs=5e-7)  # the table has six places
    assert found_high[0] == pytest.approx(high, abs=5e-7)


def test_exact_poisson_limits_are_quantiles_of_chi_square() -> None:
    """Garwood 1936: chi2(tail; 2 x) / 2 and chi2(1 - tail; 2 x + 2) / 2."""
    count = np.array([1, 2, 7, 40, 1000])
    low, high = exact_poisson_interval(count, conf_level=0.998)
    np.testing.assert_allclose(low, stats.chi2.ppf(0.001, 2 * count) / 2, rtol=1e-9)
    np.testing.assert_allclose(high, stats.chi2.isf(0.001, 2 * count + 2) / 2, rtol=1e-9)


def test_the_chance_of_so_many_is_the_poisson_tail() -> None:
    count, expected = np.array([0, 1, 4, 12]), np.array([0.5, 0.5, 1.3, 3.0])
    exact = poisson_excess_p(count, expected, mid_p=False)
    np.testing.assert_allclose(exact, stats.poisson.sf(count - 1, expected), rtol=1e-10)
    mid = poisson_excess_p(count, expected)
    np.testing.assert_allclose(mid, exact - stats.poisson.pmf(count, expected) / 2, rtol=1e-9)


def test_the_mid_p_test_is_closer_to_its_nominal_size_than_the_exact_one() -> None:
    """Chance of p < .05 with nothing going on, summed over counts, not simulated.

    The exact test never goes over 5 %, and is a point short on average; the mid-p test goes
    over for some expected counts (8 % at 1, 6.8 % at 5) and is right on average.
    """
    count = np.arange(150)
    sizes = np.array(
        [
            [
                stats.poisson.pmf(count, m)[
                    poisson_excess_p(count, np.full(150, m), mid_p=mid) < 0.05
                ].sum()
                for mid in (False, True)
            ]
            for m in np.arange(1.0, 50.0, 0.25)
        ]
    )
    assert sizes[:, 0].max() < 0.05
    assert 0.03 < sizes[:, 0].mean() < 0.045
    assert sizes[:, 1].mean() == pytest.approx(0.05, abs=0.003)
    assert sizes[:, 1].max() == pytest.approx(0.0803, abs=1e-4)  # at 1 expected


# --- ratios of two rates ----------------------------------------------------------------------

# counts, exposures, ratio, 95 % limits.  First: help page of R's poisson.test; all by R 4
RATIOS = [
    ((11, 21), (800, 3011), 1.971488, 0.8584264, 4.277266),
    ((3, 1), (1000, 4000), 12.0, 0.963521, 629.968),
    ((2, 0), (300, 9000), np.inf, 5.634273, np.inf),
]


@pytest.mark.parametrize(("counts", "exposures", "ratio", "low", "high"), RATIOS)
def test_ratios_of_rates_have_the_limits_of_poisson_test(
    counts: tuple[int, int], exposures: tuple[int, int], ratio: float, low: float, high: float
) -> None:
    found = rate_ratios(counts, exposures)
    assert found.ratio[0] == pytest.approx(ratio, rel=5e-7)  # printed to seven figures
    assert found.low[0] == pytest.approx(low, rel=6e-7)
    assert found.high[0] == pytest.approx(high, rel=8e-7)


def test_the_one_sided_p_of_a_ratio_is_the_binomial_test() -> None:
    """scipy.stats.binomtest of the first count, p = share of exposure."""
    for counts, exposures, *_ in RATIOS:
        found = rate_ratios(counts, exposures)
        share = exposures[0] / sum(exposures)
        reference = stats.binomtest(counts[0], sum(counts), share, alternative="greater")
        assert found.p_excess[0] == pytest.approx(reference.pvalue, rel=1e-9)


def test_mid_p_limits_leave_half_of_the_observed_table_outside() -> None:
    """.9166021 to 4.0584043 for 11 of 800 against 21 of 3011: solved independently in R."""
    found = rate_ratios((11, 21), (800, 3011), mid_p=True)
    assert found.low[0] == pytest.approx(0.9166021, rel=1e-7)
    assert found.high[0] == pytest.approx(4.0584043, rel=1e-7)
    exact = rate_ratios((11, 21), (800, 3011))
    assert exact.low[0] < found.low[0] < found.high[0] < exact.high[0]
    assert found.p_excess[0] < exact.p_excess[0]


def test_limits_of_a_ratio_of_nothing_are_open() -> None:
    found = rate_ratios(([0, 0], [3, 0]), ([1.0, 1.0], [1.0, 1.0]), mid_p=True)
    assert found.ratio[0] == 0.0
    assert np.isnan(found.ratio[1])
    assert found.low.tolist() == [0.0, 0.0]
    assert found.high[1] == np.inf
    # with n events in all and none in the first, mid-p leaves 2 tail = (1 - p)^n
    assert found.high[0] == pytest.approx(0.05 ** (-1 / 3) - 1, rel=1e-9)


# --- shrinkage --------------------------------------------------------------------------------

# Ten pumps of a power station: failures and thousands of hours (Gaver and O'Muircheartaigh 1987,
# Technometrics 29(1), table 3)
PUMPS = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
PUMP_HOURS = [94.320, 15.720, 62.880, 125.760, 5.240, 31.440, 1.048, 1.048, 2.096, 10.480]


def test_the_ten_pumps() -> None:
    """a, b and posterior means by R 4 optim on the negative binomial likelihood."""
    found = shrunken_rates(PUMPS, PUMP_HOURS)
    assert found.a == pytest.approx(0.8222685, rel=1e-6)
    assert found.b == pytest.approx(1.2589539, rel=1e-6)
    assert found.log_likelihood == pytest.approx(-32.2630670, abs=1e-7)
    means = [
        *(0.0609158, 0.1073251, 0.0907759, 0.1166934, 0.5881360),
        *(0.6062050, 0.7899024, 0.7899024, 1.4373576, 1.9441484),
    ]
    np.testing.assert_allclose(found.mean(), means, atol=1e-7)


def test_the_marginal_likelihood_is_that_of_a_negative_binomial() -> None:
    """scipy.stats.nbinom at the fitted a, b; no better point nearby."""
    found = shrunken_rates(PUMPS, PUMP_HOURS)

    def log_likelihood(a: float, b: float) -> float:
        share = b / (b + np.array(PUMP_HOURS))
        return float(stats.nbinom.logpmf(PUMPS, a, share).sum())

    assert found.log_likelihood == pytest.approx(log_likelihood(found.a, found.b), rel=1e-10)
    for factor in (0.99, 1.01):
        assert log_likelihood(found.a * factor, found.b) < found.log_likelihood
        assert log_likelihood(found.a, found.b * factor) < found.log_likelihood


def test_quantiles_and_tails_are_those_of_the_gamma_posterior() -> None:
    found = shrunken_rates(PUMPS, PUMP_HOURS)
    posterior = stats.gamma(found.a + np.array(PUMPS), scale=1 / (found.b + np.array(PUMP_HOURS)))
    np.testing.assert_allclose(found.quantile(0.9), posterior.ppf(0.9), rtol=1e-9)
    np.testing.assert_allclose(found.p_above(0.5), posterior.sf(0.5), rtol=1e-9)


def test_a_shrunken_rate_lies_between_the_raw_one_and_the_mean_of_peers() -> None:
    found = shrunken_rates(PUMPS, PUMP_HOURS)
    raw, peers = np.array(PUMPS) / PUMP_HOURS, found.a / found.b
    inside = (found.mean() - raw) * (found.mean() - peers)
    assert (inside <= 0).all()


def test_units_without_spread_all_get_the_pooled_rate() -> None:
    found = shrunken_rates([4, 8, 2, 6], [20.0, 40.0, 10.0, 30.0])
    assert not found.has_spread
    np.testing.assert_array_equal(found.mean(), 0.2)
    np.testing.assert_array_equal(found.quantile(0.05), 0.2)
    np.testing.assert_array_equal(found.p_above(0.1), 1.0)


def test_a_unit_never_watched_gets_the_mean_of_its_peers() -> None:
    found = shrunken_rates([*PUMPS, 0], [*PUMP_HOURS, 0.0])
    assert found.mean()[-1] == pytest.approx(found.a / found.b, rel=1e-12)
    assert found.a == pytest.approx(0.8222685, rel=1e-6)


def test_no_event_at_all_is_a_rate_of_zero_and_no_exposure_at_all_is_refused() -> None:
    assert shrunken_rates([0, 0], [5.0, 6.0]).mean().tolist() == [0.0, 0.0]
    with pytest.raises(ValueError, match="exposure must be more than 0 in some unit"):
        shrunken_rates([0], [0.0])
    with pytest.raises(ValueError, match="without exposure cannot have had events"):
        shrunken_rates([1, 1], [0.0, 3.0])


# --- multiplicity -----------------------------------------------------------------------------

# Benjamini and Hochberg 1995, JRSS B 57(1), section 4.1: 15 comparisons, 4 rejected at 5 %
BH_1995 = [
    *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
    *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
]


def test_the_fifteen_p_values_of_benjamini_and_hochberg() -> None:
    q = benjamini_hochberg(BH_1995)
    np.testing.assert_allclose(q[:5], [0.0015, 0.003, 0.0095, 0.035625, 0.0603], rtol=1e-9)
    assert (q < 0.05).sum() == 4


def test_q_values_follow_their_p_values_whatever_the_order() -> None:
    order = np.random.default_rng(3).permutation(15)
    shuffled = benjamini_hochberg(np.array(BH_1995)[order])
    np.testing.assert_array_equal(shuffled, benjamini_hochberg(BH_1995)[order])


def test_a_unit_that_was_not_tested_counts_for_nothing() -> None:
    q = benjamini_hochberg([0.01, np.nan, 0.5])
    np.testing.assert_allclose(q, [0.02, np.nan, 0.5], rtol=1e-12)
    assert benjamini_hochberg([]).size == 0
