"""How much longer or shorter the parts of one number or brand last than their peers.

Peers are the other parts of the same family. They are compared within platform and place; if no
peer has the same place on the same model, within the model, then within the place, and at last all
together. The choice depends only on which parts were fitted where, never on how they ended.
"""

from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.lifetimes.compare import (
    ENOUGH_FAILURES,
    ENOUGH_UNITS,
    ArmTests,
    log_rank,
)
from afterclear.estimators.lifetimes.life_ratio import life_ratio
from afterclear.estimators.lifetimes.lifetimes import Lifetimes
from afterclear.estimators.rates.rates import rate_ratios

_CIRCLES = (["group", "platform", "place"], ["group", "platform"], ["group", "place"])
# Shuffling is slow and needed only where it may decide: few units, and a sign of a difference.
_WORTH_SHUFFLING = 0.2
_SEED = 20_261_027  # any; the same data give the same p value
# Rows compared at a time, each group's own and its peers': bounds memory, does not change results.
_ROWS_AT_ONCE = 500_000


@dataclass(frozen=True, slots=True)
class PeerComparison:
    """Each group compared with its peers, arrays of shape (n_groups,); nan: nothing to compare."""

    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    p_value: FloatArray  # of the log-rank test
    shuffled: FloatArray  # 1: from shuffling
    n_peers: IntArray
    n_peers_failed: IntArray
    n_strata: IntArray


def compared_with_peers(
    own: pl.DataFrame, lifetimes: Lifetimes, n_groups: int, conf_level: float = 0.95
) -> PeerComparison:
    """Compare groups with the other parts of their families.

    ``own``: one row for each part fitted, in the order of ``lifetimes`` (whose groups are ignored):
    ``group`` (null: none), ``component``, ``platform``, ``place``.
    """
    found = PeerComparison(
        *np.full((5, n_groups), np.nan), *np.zeros((3, n_groups), dtype=np.int64)
    )
    rows = own.with_row_index("row")
    for components in _blocks(own):
        part = rows.filter(pl.col("component").is_in(components))
        groups = part["group"].drop_nulls().unique().sort()
        if len(groups):
            local = part.with_columns(
                pl.col("group").replace_strict(
                    groups, np.arange(len(groups)), default=None, return_dtype=pl.Int64
                )
            )
            comparison = _compared(local, lifetimes, len(groups), conf_level)
            number = groups.to_numpy().astype(np.int64)
            for field in fields(PeerComparison):
                getattr(found, field.name)[number] = getattr(comparison, field.name)
    return found


def fairly_compared(rows: pl.DataFrame) -> pl.DataFrame:
    """Tell no ratio where most of the peers are one flagged number: beside it all live long.

    ``rows``: those of the table ``parts``, of every grouping.
    """
    weak = (
        rows.filter((pl.col("grouping") == "number") & pl.col("flagged"))
        .sort("n_followed", descending=True)
        .unique("part_family", keep="first", maintain_order=True)
        .select(
            "part_family",
            pl.col("part_brand").alias("weak_brand"),
            pl.col("n_followed").alias("n_weak"),
        )
    )
    is_own = (pl.col("grouping") == "brand") & pl.col("part_brand").eq_missing("weak_brand")
    told = pl.col("flagged") | is_own | (2 * pl.col("n_weak") <= pl.col("n_peers"))
    ratios = ("life_ratio_to_peers", "ratio_low", "ratio_high")
    return (
        rows.join(weak, on="part_family", how="left", maintain_order="left")
        .with_columns(pl.when(told | pl.col("n_weak").is_null()).then(pl.col(*ratios)))
        .drop("weak_brand", "n_weak")
    )


def _blocks(own: pl.DataFrame) -> list[list[str]]:
    """Split families into blocks, so that rows times groups fit in memory."""
    sizes = (
        own.group_by("component")
        .agg((pl.len() * (pl.col("group").n_unique() + 1)).alias("rows"))
        .sort("component")
        .with_columns((pl.col("rows").cum_sum() // _ROWS_AT_ONCE).alias("block"))
    )
    return sizes.group_by("block", maintain_order=True).agg("component")["component"].to_list()


def _compared(
    own: pl.DataFrame, lifetimes: Lifetimes, n_groups: int, conf_level: float
) -> PeerComparison:
    """Compare the groups of some families; ``row`` is the row of each in ``lifetimes``."""
    pairs = _pairs(own)
    group = pairs["group"].to_numpy().astype(np.int64)
    arm = pairs["arm"].to_numpy().astype(np.int64)
    stratum = pairs["stratum"].to_numpy().astype(np.int64)
    taken = lifetimes.take(pairs["row"].to_numpy().astype(np.int64))
    rows = Lifetimes(taken.low, taken.high, taken.entry, taken.weight, group, n_groups)
    ratios = life_ratio(rows, arm, stratum=stratum, conf_level=conf_level)
    p_value, shuffled = _tested(rows, arm, stratum)
    peers = arm == 0
    return PeerComparison(
        ratio=ratios.ratio,
        low=ratios.low,
        high=ratios.high,
        p_value=p_value,
        shuffled=shuffled,
        n_peers=np.bincount(group[peers], minlength=n_groups),
        n_peers_failed=np.bincount(group[peers & rows.failed], minlength=n_groups),
        n_strata=_n_strata(pairs, n_groups),
    )


def _pairs(own: pl.DataFrame) -> pl.DataFrame:
    """Rows of every group, its own in arm 1 and its peers' in arm 0, with their strata."""
    groups = own.drop_nulls("group").select("group", "component").unique()
    pairs = (
        own.select("row", "component", "platform", "place", pl.col("group").alias("own_group"))
        .join(groups, on="component")
        .with_columns(
            (pl.col("own_group") == pl.col("group")).fill_null(value=False).alias("is_own"),
            pl.col("place").fill_null(""),
        )
    )
    stratum = pl.lit("all")
    left = pl.lit(value=True)
    for number, keys in enumerate(_CIRCLES):
        pairs = pairs.with_columns(left.alias("left"))
        both = (pl.col("is_own") & pl.col("left")).any().over([*keys, "left"]) & (
            pl.col("is_own").not_() & pl.col("left")
        ).any().over([*keys, "left"])
        pairs = pairs.with_columns((both & pl.col("left")).alias(f"in_{number}"))
        left = pl.col("left") & pl.col(f"in_{number}").not_()
    for number, keys in reversed(list(enumerate(_CIRCLES))):
        name = pl.concat_str(pl.lit(f"{number}"), *keys[1:], separator="\x1f")
        stratum = pl.when(f"in_{number}").then(name).otherwise(stratum)
    return (
        pairs.with_columns(
            stratum.rank("dense").cast(pl.Int64).alias("stratum"),
            pl.col("is_own").cast(pl.Int64).alias("arm"),
        )
        .sort("group", "row")
        .select("group", "row", "arm", "stratum")
    )


def _tested(rows: Lifetimes, arm: IntArray, stratum: IntArray) -> tuple[FloatArray, FloatArray]:
    """P values of the log-rank test, by shuffling where units are few and it may matter.

    A number with thirty parts is compared with thousands of peers: its failures are almost a
    binomial share of all, and the chi-square of such an unequal comparison flags too many
    (simulated: of the flags at q below .05 it made, 5 of 35 were false; by mid-p, 1 of 31).
    """
    test = log_rank(rows, arm, stratum=stratum)
    n_own = np.bincount(rows.group, arm, rows.n_groups)
    n_rest = np.bincount(rows.group, 1 - arm, rows.n_groups)
    few = (test.n_failed < ENOUGH_FAILURES) | (np.minimum(n_own, n_rest) < ENOUGH_UNITS)
    p_value, shuffled = _binomial_p(test), np.zeros(rows.n_groups)
    with np.errstate(invalid="ignore"):
        chosen = np.flatnonzero(few & (test.p_value < _WORTH_SHUFFLING) & (test.observed > 1))
    if chosen.size:
        number = np.full(rows.n_groups, -1)
        number[chosen] = np.arange(chosen.size)
        kept = number[rows.group] >= 0
        again = log_rank(
            rows.take_groups(chosen),
            arm[kept],
            stratum=stratum[kept],
            rng=np.random.default_rng(_SEED),
        )
        p_value[chosen] = again.p_value
        shuffled[chosen] = again.permuted
    return p_value, shuffled


def _binomial_p(test: ArmTests) -> FloatArray:
    """Two-sided mid-p of the failures in arm 1, given total and expectation; nan: no test."""
    testable = np.isfinite(test.chi_square) & (test.expected > 0) & (test.expected < test.n_failed)
    p_value = np.full(test.observed.size, np.nan)
    own, expected, every = (row[testable] for row in (test.observed, test.expected, test.n_failed))
    rest = every - own
    above = rate_ratios((own, rest), (expected, every - expected), mid_p=True).p_excess
    p_value[testable] = np.minimum(2 * np.minimum(above, 1 - above), 1.0)
    return p_value


def _n_strata(pairs: pl.DataFrame, n_groups: int) -> IntArray:
    """Strata of each group that contain both arms."""
    both = (
        pairs.group_by("group", "stratum")
        .agg(pl.col("arm").n_unique().alias("n_arms"))
        .filter(pl.col("n_arms") > 1)
        .group_by("group")
        .len()
    )
    found = np.zeros(n_groups, dtype=np.int64)
    found[both["group"].to_numpy().astype(np.int64)] = both["len"].to_numpy()
    return found
