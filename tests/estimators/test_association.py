"""Two-by-two tables: by hand, published, against scipy, R and statsmodels, laws."""

import numpy as np
import pytest
from scipy import stats

from afterclear.estimators.codes.association import (
    PairTables,
    association,
    mantel_haenszel,
    pair_tables,
)
from tests.estimators.open_data import library, quiet

# Fisher's tea tasting and twins' convictions (R 4 fisher.test, scipy); then two made-up tables
TEA, TWINS, COMMON, RARE = range(4)
TABLES = pair_tables([3, 2, 40, 5], [1, 15, 60, 0], [1, 10, 10, 3], [3, 3, 890, 92])


def _random(seed: int, n: int, mean: list[int]) -> PairTables:
    cells = np.random.default_rng(seed).poisson(np.array(mean)[:, None], (4, n))
    return pair_tables(*cells)


def test_fishers_exact_tests() -> None:
    found = association(TABLES)
    assert found.p_value[TEA] == pytest.approx(0.4857142857, abs=5e-11)
    assert found.p_more[TEA] == pytest.approx(0.2428571429, abs=5e-11)
    assert found.mid_p_more[TEA] == pytest.approx(0.1285714, abs=5e-8)
    assert found.p_value[TWINS] == pytest.approx(0.0005367241, abs=5e-11)
    assert found.p_value[COMMON] == pytest.approx(1.34995e-34, rel=1e-5)


def test_haldanes_odds_ratio_and_mutual_information() -> None:
    """Recomputed by hand from the formulas.

    5.444444 (.364069 to 81.418540); 56.773318 (27.442075 to 117.455025); 290.714 (13.287 to
    6360.5); .1100368645 bit.
    """
    found = association(TABLES)
    assert found.odds_ratio[TEA] == pytest.approx(3.5**2 / 1.5**2, rel=1e-14)
    assert found.low[TEA] == pytest.approx(0.364069, abs=5e-7)
    assert found.high[TEA] == pytest.approx(81.418540, abs=5e-7)
    assert found.odds_ratio[COMMON] == pytest.approx(56.773318, abs=5e-7)
    assert (found.low[COMMON], found.high[COMMON]) == pytest.approx((27.442075, 117.455025))
    assert found.odds_ratio[RARE] == pytest.approx(290.714, abs=5e-4)
    assert found.low[RARE] == pytest.approx(13.287, abs=5e-4)
    assert found.high[RARE] == pytest.approx(6360.5, abs=0.05)
    assert found.information[COMMON] == pytest.approx(0.1100368645, abs=5e-11)


def test_fishers_tests_agree_with_scipy() -> None:
    """200 random tables, small and large counts; to 1e-8."""
    for mean in ([2, 3, 3, 4], [10, 30, 20, 300]):
        tables = _random(141, 100, mean)
        found = association(tables)
        for i in range(100):
            own = np.array([[tables.a[i], tables.b[i]], [tables.c[i], tables.d[i]]], int)
            two_sided = stats.fisher_exact(own)
            more = stats.fisher_exact(own, alternative="greater")
            assert found.p_value[i] == pytest.approx(two_sided.pvalue, rel=1e-8)
            assert found.p_more[i] == pytest.approx(more.pvalue, rel=1e-8)


def test_mantel_haenszel_agrees_with_statsmodels() -> None:
    """10 pairs of 6 strata each, to 1e-9."""
    stratified = library("statsmodels.stats.contingency_tables").StratifiedTable
    tables = _random(142, 60, [4, 9, 7, 40])
    group = np.repeat(np.arange(10), 6)
    found = mantel_haenszel(tables, group)
    for pair in range(10):
        own = np.flatnonzero(group == pair)
        with quiet():
            other = stratified(
                [np.array([[tables.a[i], tables.b[i]], [tables.c[i], tables.d[i]]]) for i in own]
            )
            low, high = other.oddsratio_pooled_confint()
        assert found.ratio[pair] == pytest.approx(other.oddsratio_pooled, rel=1e-9)
        assert (found.low[pair], found.high[pair]) == pytest.approx((low, high), rel=1e-9)


def test_one_stratum_is_the_plain_odds_ratio() -> None:
    found = mantel_haenszel(pair_tables([4], [2], [3], [9]), np.array([0]))
    assert found.ratio[0] == pytest.approx(6.0)
    spread = stats.norm.ppf(0.975) * np.sqrt(1 / 4 + 1 / 2 + 1 / 3 + 1 / 9)
    assert np.log(found.high[0] / 6) == pytest.approx(spread, rel=1e-12)


def test_codes_with_a_cause_in_common_are_not_associated_inside_its_strata() -> None:
    """Both rare at good voltage, both common at low: 20 fold together, 1 inside strata."""
    low_voltage = (50 * 0.8**2, 50 * 0.16, 50 * 0.16, 50 * 0.04)
    good_voltage = (1000 * 0.02**2, 1000 * 0.0196, 1000 * 0.0196, 1000 * 0.98**2)
    cells = np.array([low_voltage, good_voltage]).T.round()
    crude = association(pair_tables(*cells.sum(axis=1)[:, None]))
    assert crude.low[0] > 10
    apart = mantel_haenszel(pair_tables(*cells), np.array([0, 0]))
    assert apart.low[0] < 1 < apart.high[0]


def test_swapping_the_codes_turns_the_table_and_changes_nothing_else() -> None:
    tables = _random(143, 200, [4, 20, 6, 90])
    turned = PairTables(tables.a, tables.c, tables.b, tables.d)
    found, other = association(tables), association(turned)
    assert other.odds_ratio == pytest.approx(found.odds_ratio)
    assert other.p_value == pytest.approx(found.p_value, rel=1e-9)
    assert other.information == pytest.approx(found.information, rel=1e-9, abs=1e-14)
    assert other.b_given_a == pytest.approx(found.a_given_b, nan_ok=True)


def test_information_lies_between_0_and_1_bit_and_is_0_without_association() -> None:
    found = association(_random(144, 500, [4, 20, 6, 90]))
    assert ((found.information > -1e-14) & (found.information < 1)).all()
    even = association(pair_tables([2], [4], [6], [12]))
    assert even.information[0] == pytest.approx(0, abs=1e-15)
    whole = association(pair_tables([8], [0], [0], [8]))
    assert whole.information[0] == pytest.approx(1)


def test_empty_tables_say_nothing_and_broken_ones_are_refused() -> None:
    found = association(pair_tables([0], [0], [0], [0]))
    assert found.p_value[0] == 1
    assert np.isnan(found.b_given_a[0])
    with pytest.raises(ValueError, match="b must hold whole numbers"):
        pair_tables([1], [0.5], [1], [1])
    with pytest.raises(ValueError, match="c must be 0 or more"):
        pair_tables([1], [1], [-1], [1])


def test_many_large_tables_are_worked_on_in_turns() -> None:
    """More possible counts than fit in one go give what one table alone gives."""
    cells = np.random.default_rng(145).integers(200_000, 400_000, (4, 12))
    cells[0] += 2_000
    tables = pair_tables(*cells)
    found = association(tables)
    alone = association(pair_tables(*cells[:, 11:]))
    assert found.p_more[11] == alone.p_more[0]
    assert found.p_value[11] == alone.p_value[0]
