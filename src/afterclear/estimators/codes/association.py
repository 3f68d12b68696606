"""Do two codes belong together?  Two-by-two tables of many pairs at once.

The unit is a vehicle's episode among scans that read *both* control units:

|           | B seen | B not seen |
|-----------|--------|------------|
| A seen    | a      | b          |
| A not     | c      | d          |

Which of the two comes first is ``code_order``'s question.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from afterclear.estimators.arrays.ragged import group_sums
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_fraction,
    check_non_negative,
    check_same_shape,
)

_SAME = 1e-7  # two tables as likely within this share count as equally likely (scipy, R: the same)
_CHUNK = 2_000_000  # tables' possible counts worked on at a time


@dataclass(frozen=True, slots=True)
class PairTables:
    """Checked counts, arrays of shape (n_pairs,); build them with ``pair_tables``."""

    a: FloatArray
    b: FloatArray
    c: FloatArray
    d: FloatArray


@dataclass(frozen=True, slots=True)
class Association:
    """Strength and evidence of each pair, arrays of shape (n_pairs,)."""

    odds_ratio: FloatArray  # Haldane: half added to each count
    low: FloatArray
    high: FloatArray
    p_more: FloatArray  # Fisher, one-sided: seen together as often or more
    mid_p_more: FloatArray  # the same with half the weight on the table itself; for screening
    p_value: FloatArray  # Fisher, two-sided: tables as likely as this one or less
    information: FloatArray  # mutual information, bits: what to rank by
    b_given_a: FloatArray  # share of A's episodes with B; nan: no A
    a_given_b: FloatArray


@dataclass(frozen=True, slots=True)
class OddsRatios:
    """Odds ratios with limits, arrays of shape (n,)."""

    ratio: FloatArray  # 0 or inf at the edge; nan: no information
    low: FloatArray
    high: FloatArray


def pair_tables(a: ArrayLike, b: ArrayLike, c: ArrayLike, d: ArrayLike) -> PairTables:
    """Check the counts of each pair, shape (n_pairs,) each: whole and 0 or more."""
    cells = [as_floats(name, row) for name, row in zip("abcd", (a, b, c, d), strict=True)]
    check_same_shape(a=cells[0], b=cells[1], c=cells[2], d=cells[3])
    for name, row in zip("abcd", cells, strict=True):
        check_finite(name, row)
        check_non_negative(name, row)
        if (row != np.floor(row)).any():
            raise ValueError(f"{name} must hold whole numbers")
    return PairTables(*cells)


def smoothed_odds_ratios(tables: PairTables, *, conf_level: float = 0.95) -> OddsRatios:
    """Odds ratio of each pair with half counts, and its limits: never 0, infinite or nan.

    ``OR = (a + .5)(d + .5) / ((b + .5)(c + .5))``, ``se(ln OR) = sqrt(sum 1 / (n + .5))``.

    References: Haldane 1956, Ann. Hum. Genet. 20, 309 (from memory).

    """
    check_fraction("conf_level", conf_level)
    a, b, c, d = tables.a, tables.b, tables.c, tables.d
    ratio = (a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5))
    error = np.sqrt(sum(1 / (cell + 0.5) for cell in (a, b, c, d)))
    factor = np.exp(float(special.ndtri(0.5 + conf_level / 2)) * error)
    return OddsRatios(ratio, ratio / factor, ratio * factor)


def association(tables: PairTables, *, conf_level: float = 0.95) -> Association:
    """Odds ratio with limits, Fisher's tests and mutual information of each pair.

    The tests go through every possible count of each pair; where only the ratio is needed,
    ``smoothed_odds_ratios`` answers at any size.

    References: Fisher 1935, J. R. Stat. Soc. 98, 39 (from memory).

    """
    odds = smoothed_odds_ratios(tables, conf_level=conf_level)
    a, b, c = tables.a, tables.b, tables.c
    p_more, mid_p_more, p_value = np.empty((3, a.size))
    for chunk in _chunks(tables):
        columns = _fisher(_Possible.of(tables, chunk))
        p_more[chunk], mid_p_more[chunk], p_value[chunk] = columns
    with np.errstate(divide="ignore", invalid="ignore"):
        b_given_a, a_given_b = a / (a + b), a / (a + c)
    return Association(
        odds_ratio=odds.ratio,
        low=odds.low,
        high=odds.high,
        p_more=p_more,
        mid_p_more=mid_p_more,
        p_value=p_value,
        information=_mutual_information(tables),
        b_given_a=b_given_a,
        a_given_b=a_given_b,
    )


def mantel_haenszel(
    tables: PairTables,
    group: IntArray,
    n_groups: int | None = None,
    *,
    conf_level: float = 0.95,
) -> OddsRatios:
    """Odds ratio of each group common to its tables, one table a stratum.

    Pairs whose association goes away inside strata of low voltage, or of how many codes the
    scan had, have a cause in common and are not cause and effect.  ``sum a d / n`` over ``sum b
    c / n``; variance of Robins, Breslow & Greenland 1986, Biometrics 42, 311 (from memory).
    """
    check_fraction("conf_level", conf_level)
    group = as_groups("group", group)
    check_same_shape(group=group, a=tables.a)
    n_groups = int(group.max(initial=-1)) + 1 if n_groups is None else n_groups
    a, b, c, d = tables.a, tables.b, tables.c, tables.d
    n = np.maximum(a + b + c + d, 1)
    along, across = a * d / n, b * c / n
    same, other = (a + d) / n, (b + c) / n
    r, s, rp, mixed, sq = (
        group_sums(row, group, n_groups)
        for row in (along, across, along * same, along * other + across * same, across * other)
    )
    z = float(special.ndtri(0.5 + conf_level / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = r / s
        variance = rp / (2 * r**2) + mixed / (2 * r * s) + sq / (2 * s**2)
        factor = np.exp(z * np.sqrt(variance))
        low = np.where(r > 0, ratio / factor, 0.0)
        high = np.where(s > 0, ratio * factor, np.inf)
    known = (r > 0) | (s > 0)
    low = np.where(known, np.where(s > 0, low, 0.0), np.nan)
    high = np.where(known, np.where(r > 0, high, np.inf), np.nan)
    return OddsRatios(ratio, low, high)


@dataclass(frozen=True, slots=True)
class _Possible:
    """Every count a that the margins allow, pair after pair: shape (n_possible,)."""

    observed: FloatArray  # (n_pairs,)
    least: FloatArray  # (n_pairs,)
    most: FloatArray
    starts: IntArray  # (n_pairs,)
    pair: IntArray
    count: FloatArray
    log_weight: FloatArray  # of the count when the odds ratio is 1, but for a constant

    @classmethod
    def of(cls, tables: PairTables, chunk: slice) -> "_Possible":
        """Lay out the possible counts of some pairs."""
        a, b, c, d = (row[chunk] for row in (tables.a, tables.b, tables.c, tables.d))
        least, most = np.maximum(a - d, 0), a + np.minimum(b, c)
        size = (most - least + 1).astype(np.int64)
        starts = np.cumsum(size) - size
        pair = np.repeat(np.arange(a.size), size)
        count = least[pair] + np.arange(pair.size) - starts[pair]
        row, column, rest = (a + b)[pair], (a + c)[pair], (d - a)[pair]
        log_weight = -sum(
            special.gammaln(cell + 1) for cell in (count, row - count, column - count, rest + count)
        )
        return cls(a, least, most, starts, pair, count, np.asarray(log_weight))

    def probability(self, log_ratio: FloatArray) -> FloatArray:
        """Probability of each count, given ln odds ratios of shape (n_pairs,)."""
        log_p = self.log_weight + self.count * log_ratio[self.pair]
        log_p -= np.maximum.reduceat(log_p, self.starts)[self.pair]
        p = np.exp(log_p)
        return np.asarray(p / self.sums(p)[self.pair])

    def sums(self, values: FloatArray) -> FloatArray:
        """Add up over each pair's counts."""
        return np.asarray(np.add.reduceat(values, self.starts))


def _chunks(tables: PairTables) -> list[slice]:
    """Cut the pairs so that their possible counts fit into memory together."""
    size = np.minimum(tables.b, tables.c) + np.minimum(tables.a, tables.d) + 1
    number = np.cumsum(size) // _CHUNK
    edges = [0, *(np.flatnonzero(np.diff(number)) + 1), size.size]
    return [slice(int(i), int(j)) for i, j in itertools.pairwise(edges) if j > i]


def _fisher(possible: _Possible) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One-sided p, its mid-p and two-sided p of each pair."""
    p = possible.probability(np.zeros(possible.observed.size))
    observed = possible.observed[possible.pair]
    own = possible.sums(p * (possible.count == observed))
    more = possible.sums(p * (possible.count >= observed))
    as_likely = p <= own[possible.pair] * (1 + _SAME)
    two_sided = np.minimum(possible.sums(p * as_likely), 1.0)
    return more, more - own / 2, two_sided


def _mutual_information(tables: PairTables) -> FloatArray:
    """``sum P log2(P / (P_row P_column))`` over the four cells; 0 for an empty table."""
    a, b, c, d = tables.a, tables.b, tables.c, tables.d
    n = np.maximum(a + b + c + d, 1)
    margins = (
        (a, a + b, a + c),
        (b, a + b, b + d),
        (c, c + d, a + c),
        (d, c + d, b + d),
    )
    parts = [
        special.xlogy(cell / n, cell * n / np.where(cell > 0, row * column, 1))
        for cell, row, column in margins
    ]
    return np.asarray(sum(parts) / np.log(2))
