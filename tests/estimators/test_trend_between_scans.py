"""A trend between scans: against Laplace's published values, a GLM, error rates, and laws."""

import numpy as np
import pytest

from afterclear.estimators.recurrence.trend_between_scans import (
    Stretches,
    StretchTrends,
    stretch_trends,
    stretches,
)
from tests.estimators.open_data import library, quiet, rdataset
from tests.estimators.repair_times import MIL_END, MIL_TIMES, NIST_END, NIST_HOURS

BEYOND = 1.959963984540054


def _all_exact(times: object, end: float) -> Stretches:
    """One vehicle watched from 0 to ``end``, each event where it happened."""
    edges = np.r_[0.0, np.asarray(times, float), end]
    edges += np.arange(edges.size) * 1e-11  # two events at one time are two stretches
    found = np.r_[np.ones(edges.size - 2, bool), False]
    group = np.zeros(found.size, int)
    return stretches(edges[:-1], edges[1:], found, group, exact=np.ones(found.size, bool))


def _raw(trends: StretchTrends) -> float:
    return float(trends.score[0] * np.sqrt(trends.dispersion))


def test_exact_times_alone_give_laplaces_statistic() -> None:
    """NIST handbook 8.2.3.4 data, MIL-HDBK-189 appendix C, coal mines (R boot).

    Statistics -1.326949, -2.318000 and -7.678157 as by R.
    """
    coal = rdataset("boot", "coal")["date"].to_numpy() - 1851
    for times, end, statistic in (
        (NIST_HOURS, NIST_END, -1.326949),
        (MIL_TIMES, MIL_END, -2.318000),
        (coal, 112.0, -7.678157),
    ):
        assert _raw(stretch_trends(_all_exact(times, end))) == pytest.approx(statistic, abs=2e-6)


def test_between_scans_it_is_the_score_test_of_a_generalised_linear_model() -> None:
    """statsmodels: binomial, complementary log-log link, offset ln length, expected information."""
    api = library("statsmodels.api")
    rng = np.random.default_rng(7)
    edges = np.r_[0.0, np.cumsum(rng.gamma(2, 2000, 60))]
    length, middle = np.diff(edges), (edges[:-1] + edges[1:]) / 2
    found = rng.random(60) < -np.expm1(-length / 15_000)
    with quiet():
        family = api.families.Binomial(link=api.families.links.CLogLog())
        known = {"family": family, "offset": np.log(length)}
        rate = api.GLM(found.astype(float), np.ones(60), **known).fit(tol=1e-12).params[0]
        model = api.GLM(found.astype(float), np.c_[np.ones(60), middle / edges[-1]], **known)
        score = model.score(np.array([rate, 0.0]))
        information = -model.hessian(np.array([rate, 0.0]), observed=False)
    plain = np.sqrt(score @ np.linalg.solve(information, score)) * np.sign(score[1])
    trends = stretch_trends(stretches(edges[:-1], edges[1:], found, np.zeros(60, int)))
    mean = np.exp(rate) * length
    chance = -np.expm1(-mean)
    far = (middle - np.average(middle, weights=mean**2 * (1 - chance) / chance)) * mean / chance
    spread = chance * (1 - chance)
    k = (far**3 * spread * (1 - 2 * chance)).sum() / (far**2 * spread).sum() ** 1.5
    plain /= np.sqrt(trends.dispersion)
    corrected = plain - k * (plain**2 - 1) / 6 + k**2 * plain**3 / 108
    assert trends.score[0] == pytest.approx(corrected, rel=1e-6)


def _fleet(  # noqa: PLR0913 - a law with its switches
    seed: int,
    *,
    shape: float = 1.0,
    mean_events: float = 14.0,
    denser_from: float = 1.0,
    denser: float = 8.0,
    bursts: bool = False,
    n_vehicles: int = 1500,
) -> StretchTrends:
    """Vehicles scanned about every 5,000 km for 120,000 km; what is new is seen at scans only."""
    rng, total = np.random.default_rng(seed), 120_000
    low, high, found, group = [], [], [], []
    for vehicle in range(n_vehicles):
        edges = [0.0]
        while edges[-1] < total:
            gap = 5000 if edges[-1] < denser_from * total else 5000 / denser
            edges.append(edges[-1] + 50 + rng.gamma(2, gap / 2))
        n = rng.poisson(mean_events)
        at = total * rng.random(n) ** (1 / shape)
        if bursts:
            at = np.r_[at[: n // 2], at[: n // 2] + rng.exponential(6000, n // 2)]
        low += edges[:-1]
        high += edges[1:]
        found += (np.histogram(at, edges)[0] > 0).tolist()
        group += [vehicle] * (len(edges) - 1)
    return stretch_trends(stretches(low, high, found, group))


def _beyond(trends: StretchTrends) -> tuple[float, float]:
    """Shares called rising and falling at 2.5 % a side, of those with 8 or more found."""
    score = trends.score[trends.n_found >= 8]
    return float(np.mean(score > BEYOND)), float(np.mean(score < -BEYOND))


@pytest.mark.parametrize(
    "switches",
    [
        {},
        {"denser_from": 0.6},
        {"denser_from": 0.6, "mean_events": 30.0},
        {"denser_from": 0.9, "denser": 15.0, "mean_events": 25.0},
    ],
    ids=["steady", "denser", "denser and many faults", "suddenly 15 times denser"],
)
def test_steady_vehicles_are_called_at_the_nominal_rate(switches: dict[str, float]) -> None:
    """2.5 % a side; three standard errors of 1,300 vehicles are 1.3 %."""
    assert _beyond(_fleet(11, **switches)) == pytest.approx((0.025, 0.025), abs=0.013)  # type: ignore[arg-type]


def test_bursts_of_the_whole_fleet_make_no_trend() -> None:
    trends = _fleet(12, bursts=True, mean_events=28)
    assert trends.dispersion > 1.1
    assert _beyond(trends) == pytest.approx((0.025, 0.025), abs=0.013)


@pytest.mark.parametrize(("shape", "least"), [(2.0, 0.35), (3.0, 0.8)])
def test_a_power_law_is_found_between_scans(shape: float, least: float) -> None:
    """Some 14 faults a vehicle: .49 at shape 2 and .90 at 3 in another run of 3,000."""
    rising, falling = _beyond(_fleet(13, shape=shape))
    assert rising > least
    assert falling == 0


def _gaps(gaps: np.ndarray, *, closed: bool) -> StretchTrends:
    """Vehicles whose events were all complained of; ``closed``: watched to the last of them."""
    at = np.cumsum(gaps, axis=1)
    low = np.c_[np.zeros(len(at)), at[:, :-1]]
    found = np.ones(at.shape, bool)
    found[:, -1] = closed
    group = np.repeat(np.arange(len(at)), at.shape[1])
    exact = np.ones(at.size, bool)
    return stretch_trends(stretches(low.ravel(), at.ravel(), found.ravel(), group, exact=exact))


@pytest.mark.parametrize("closed", [True, False])
def test_watching_that_a_complaint_ended_makes_no_trend(closed: bool) -> None:  # noqa: FBT001
    gaps = np.random.default_rng(3).exponential(size=(4000, 9))
    assert _beyond(_gaps(gaps, closed=closed)) == pytest.approx((0.025, 0.025), abs=0.0075)


def test_gaps_that_vary_more_than_by_chance_make_no_trend() -> None:
    """Gamma gaps of shape 1/2: by Laplace's statistic alone 7.5 % a side."""
    trends = _gaps(np.random.default_rng(4).gamma(0.5, 2, (4000, 15)), closed=False)
    assert trends.dispersion == pytest.approx(1.86, abs=0.2)
    assert _beyond(trends) == pytest.approx((0.025, 0.025), abs=0.0075)


def test_nothing_found_or_never_anything_else_is_no_test() -> None:
    nothing = stretches([0, 5, 0, 5], [5, 9, 5, 9], [False, False, True, True], [0, 0, 1, 1])
    trends = stretch_trends(nothing)
    assert np.isnan(trends.score[0])
    assert trends.n_found.tolist() == [0, 2]
    empty = stretch_trends(stretches([], [], [], np.empty(0, int), n_groups=1))
    assert np.isnan(empty.p_value).all()


def test_order_and_company_do_not_matter_but_for_the_dispersion() -> None:
    rng = np.random.default_rng(5)
    edges = np.cumsum(rng.gamma(2, 2000, 80))
    found, group = rng.random(79) < 0.3, np.repeat([0, 1], [40, 39])
    rows = (edges[:-1], edges[1:], found, group)
    mixed = rng.permutation(79)
    shuffled = stretch_trends(stretches(*(column[mixed] for column in rows)))
    assert shuffled.score == pytest.approx(stretch_trends(stretches(*rows)).score, rel=1e-9)


def test_a_stretch_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="low"):
        stretches([5.0], [5.0], [True], [0])
