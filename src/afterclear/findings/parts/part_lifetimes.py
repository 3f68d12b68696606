"""How long parts last: by family, brand, number and place, against peers and expectation.

A removal for prevention or after an accident is censored, not a failure. So is a removal after a
fix that had most likely failed (``failed_fixes``): that part may have been sound. The share failed
by some distance counts these reasons as competing risks.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.estimators.arrays.ragged import first_of_group
from afterclear.estimators.arrays.validation import IntArray
from afterclear.estimators.lifetimes.competing import aalen_johansen
from afterclear.estimators.lifetimes.few_failures import ENOUGH_FAILURES, part_life, prior_from_fits
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, observed_lifetimes
from afterclear.estimators.lifetimes.survival import kaplan_meier
from afterclear.estimators.lifetimes.unit_lifetimes import End
from afterclear.estimators.lifetimes.weibull import WeibullFits, fit_weibull
from afterclear.estimators.lifetimes.weibull_likelihood import ShapePrior
from afterclear.estimators.rates.rates import benjamini_hochberg
from afterclear.finding_tables.declaration import columns_of
from afterclear.finding_tables.parts import Part
from afterclear.findings.common.tables import keep, keep_all
from afterclear.findings.parts.part_peers import (
    PeerComparison,
    compared_with_peers,
    fairly_compared,
)
from afterclear.findings.parts.part_tables import PartTables
from afterclear.findings.parts.part_units import NAME, Followed, followed_parts, left_out
from afterclear.store.engine.database import Connection

Q_BELOW = 0.05
ENOUGH_TO_FLAG = 3  # failures: no claim on one or two (own judgement)
_NINE_IN_TEN = 0.9  # still working at the B10 life ...
_B10_LEVEL = 0.9  # ... told with an interval of this level, as ``part_life`` has it
_ENOUGH_AT_RISK = 5  # a share is told as far as so many parts are still followed
_GROUPINGS = {  # what one row of ``parts`` stands for, by the columns that tell it
    "family": ["component"],
    "brand": ["component", "part_brand"],
    "number": ["component", "part_brand", "part_number"],
    "place": NAME,
}
_COMPARED = ("brand", "number")


@dataclass(frozen=True, slots=True)
class PartRules:
    """Settings of part lifetimes; meanings are in config.py."""

    factory_until_km: float
    unknown_reason_is_failure: bool


@dataclass(frozen=True, slots=True)
class _Lived:
    """Parts of some families, with their lifetimes as the estimators need them."""

    followed: Followed
    lifetimes: Lifetimes

    @classmethod
    def of(cls, followed: Followed, rules: PartRules) -> "_Lived":
        together = np.zeros(len(followed.units), dtype=np.int64)
        unknown_failed = rules.unknown_reason_is_failure
        return cls(
            followed, followed.lifetimes.as_lifetimes(together, unknown_failed=unknown_failed)
        )


def find_parts(con: Connection, tables: PartTables, rules: PartRules) -> int:
    """Replace ``parts`` and ``claims``; return how many rows are flagged.

    Needs verdicts, ``order_parts`` and ``vehicle_traits``.
    """
    families: list[Followed] = []
    followed = followed_parts(con, rules.factory_until_km)
    keep_all(con, "claims", _claims_told(followed, rules, families))
    if not families:
        for table in ("parts", "parts_left_out"):
            keep(con, table, None)
        return 0
    lived = [_Lived.of(some, rules) for some in families]
    prior = _prior(lived)
    found = [
        rows
        for grouping in _GROUPINGS
        if (rows := _grouped(grouping, lived, prior, tables)) is not None
    ]
    # no group where parts were fitted, and none of them could be followed
    rows = fairly_compared(pl.concat(found, how="vertical_relaxed")) if found else None
    keep(con, "parts", rows)
    missed = pl.DataFrame(list(left_out(con, families).items()), ["reason", "n"], orient="row")
    keep(con, "parts_left_out", missed)
    return 0 if rows is None else int(rows["flagged"].sum())


def _groups(units: pl.DataFrame, grouping: str) -> pl.DataFrame:
    """Assign a ``group`` number to the groups of a grouping; leave out those that repeat others."""
    keys = _GROUPINGS[grouping]
    if grouping == "family":
        groups = units.select(keys).unique()
    elif grouping == "brand":
        groups = (
            units.drop_nulls(["part_brand", "part_number"])
            .group_by(keys)
            .agg(pl.col("part_number").n_unique().alias("n"))
        )
        groups = groups.filter(pl.col("n") > 1).select(keys)
    elif grouping == "number":
        named = pl.col("part_number").is_not_null() | pl.col("part_brand").is_not_null()
        groups = units.filter(named).select(keys).unique()
    else:
        several = pl.col("position").n_unique().over(_GROUPINGS["number"]) > 1
        groups = (
            units.filter(pl.col("part_number").is_not_null() & pl.col("position").is_not_null())
            .filter(several)
            .select(keys)
            .unique()
        )
    by_name = [pl.col(key).cast(pl.String) for key in keys]
    return groups.sort(by_name, nulls_last=True).with_row_index("group")


def _numbered(units: pl.DataFrame, groups: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """Add to each part the number of its ``group``; null where it has none."""
    return units.join(groups, on=keys, how="left", nulls_equal=True, maintain_order="left")


def _grouped(
    grouping: str, lived: Iterable[_Lived], prior: ShapePrior, tables: PartTables
) -> pl.DataFrame | None:
    """Estimate the lifetimes of each group of one grouping; None: there is no group."""
    found = [rows for some in lived if (rows := _told(grouping, some, prior)) is not None]
    if not found:
        return None
    groups = _with_blanks(_with_flags(pl.concat(found, how="vertical_relaxed")))
    groups = groups.with_columns(_expected(groups, tables)).with_columns(
        grouping=pl.lit(grouping), part_family=pl.col("component"), test=_test()
    )
    groups = groups.with_columns(
        pl.col("b10_km").truediv("expected_km").alias("life_to_expected"),
        pl.col("b10_low_km").truediv("expected_km").alias("to_expected_low"),
        pl.col("b10_high_km").truediv("expected_km").alias("to_expected_high"),
    )
    return groups.select(column.name for column in columns_of(Part))


def _told(grouping: str, lived: _Lived, prior: ShapePrior) -> pl.DataFrame | None:
    """Estimate the lifetimes of each group of some families; None: there is no group."""
    followed, every, keys = lived.followed, lived.lifetimes, _GROUPINGS[grouping]
    groups = _groups(followed.units, grouping)
    if not len(groups):
        return None
    units = _numbered(followed.units, groups, keys)
    inside = units["group"].is_not_null().to_numpy()
    own = units.filter(inside)
    number = own["group"].to_numpy().astype(np.int64)
    columns = _lifetimes(_regrouped(every, inside, number, len(groups)), prior)
    columns |= _share_failed(lived, inside, number, len(groups))
    # where the law would have one in ten fail before any did, the curve has its say too
    is_early = columns["b10_km"] < columns["first_failed_km"]
    by_curve = _b10_by_curve(lived, inside, number, len(groups))
    columns["b10_high_km"] = np.where(
        is_early, np.maximum(columns["b10_high_km"], by_curve), columns["b10_high_km"]
    )
    if grouping in _COMPARED:
        rivals = units["is_factory"].not_().to_numpy()
        others = units.filter(rivals).select(
            "group", pl.col("component", "platform", "place").cast(pl.String)
        )
        columns |= _comparison(compared_with_peers(others, every.take(rivals), len(groups)))
    fitted = followed.fitted.group_by(keys).agg(pl.col("n").sum().alias("n_fitted"))
    return (
        groups.with_columns(pl.Series(name, values) for name, values in columns.items())
        .join(_counts(own), on="group", maintain_order="left")
        .with_columns(pl.col(pl.Categorical).cast(pl.String))
        .join(fitted, on=keys, how="left", nulls_equal=True)
        .with_columns(pl.col("n_fitted").fill_null(0).cast(pl.Int32))
    )


def _regrouped(
    every: Lifetimes, rows: NDArray[np.bool_], group: IntArray, n_groups: int
) -> Lifetimes:
    own = every.take(rows)
    return Lifetimes(own.low, own.high, own.entry, own.weight, group, n_groups)


def _prior(lived: Iterable[_Lived]) -> ShapePrior:
    """Shapes of well-observed part numbers as the prior for the others, where there are enough."""
    return prior_from_fits(*(fits for some in lived if (fits := _shapes(some)) is not None))


def _shapes(lived: _Lived) -> WeibullFits | None:
    """Fit the well-observed part numbers of some families; None: there are none."""
    groups, keys = _groups(lived.followed.units, "number"), _GROUPINGS["number"]
    group = _numbered(lived.followed.units, groups, keys)["group"]
    inside, number = group.is_not_null().to_numpy(), group.drop_nulls().to_numpy().astype(np.int64)
    rows = _regrouped(lived.lifetimes, inside, number, len(groups))
    many = np.flatnonzero(rows.n_failed >= ENOUGH_FAILURES)
    return fit_weibull(rows.take_groups(many)) if many.size else None


def _lifetimes(rows: Lifetimes, prior: ShapePrior) -> dict[str, NDArray[Any]]:
    found = part_life(rows, prior=prior)
    return {
        "n_failed": rows.n_failed.astype(np.int32),
        "km_observed": np.bincount(rows.group, rows.low - rows.entry, rows.n_groups),
        "first_failed_km": _first_failed(rows),
        "b10_km": found.life,
        "b10_low_km": found.life_low,
        "b10_high_km": found.life_high,
        "shape": found.shape,
        "shape_low": found.shape_low,
        "shape_high": found.shape_high,
        "pattern": np.where(np.isfinite(found.shape), found.pattern, ""),
        "method": found.method,
    }


def _first_failed(rows: Lifetimes) -> NDArray[np.float64]:
    """Km after which the first part of each group had certainly failed; nan: no failure."""
    first = np.full(rows.n_groups, np.inf)
    np.minimum.at(first, rows.group, rows.high)
    return np.where(np.isfinite(first), first, np.nan)


def _b10_by_curve(
    lived: _Lived, rows: NDArray[np.bool_], group: IntArray, n_groups: int
) -> NDArray[np.float64]:
    """Km by which one in ten has surely failed (95 %, one-sided); inf: the curve does not say.

    The first failure after which the upper limit of the share still working is nine in ten.
    """
    lifetimes = lived.followed.lifetimes
    own = observed_lifetimes(
        lifetimes.age[rows],
        lived.lifetimes.failed[rows],
        entry=lifetimes.entry[rows],
        group=group,
        n_groups=n_groups,
    )
    curves = kaplan_meier(own, conf_level=_B10_LEVEL)
    # without a limit all have failed
    first = first_of_group(np.nan_to_num(curves.high, nan=0.0) <= _NINE_IN_TEN, curves.offsets)
    found = np.full(n_groups, np.inf)
    found[first >= 0] = curves.time[first[first >= 0]]
    return found


def _share_failed(
    lived: _Lived, rows: NDArray[np.bool_], group: IntArray, n_groups: int
) -> dict[str, NDArray[Any]]:
    """Share that failed, with other removals as competing risks, while enough are followed.

    Where parts come under observation late, few may be followed at first: those few would speak for
    all, so no share is given.
    """
    lifetimes = lived.followed.lifetimes
    end = lifetimes.end[rows]
    ended = (end != End.IN_SERVICE) & (end != End.LOST_SIGHT)
    own = observed_lifetimes(
        lifetimes.age[rows], ended, entry=lifetimes.entry[rows], group=group, n_groups=n_groups
    )
    curves = aalen_johansen(own, np.where(lived.lifetimes.failed[rows], 1, 2), 2)
    horizon, share = np.full((2, n_groups), np.nan)
    thin = first_of_group(curves.n_at_risk < _ENOUGH_AT_RISK, curves.offsets)
    last = np.where(thin >= 0, thin, curves.offsets[1:]) - 1
    at = np.flatnonzero(last >= curves.offsets[:-1])
    horizon[at], share[at] = curves.time[last[at]], curves.incidence[0][last[at]]
    return {"horizon_km": horizon, "share_failed_at_horizon": share}


def _comparison(found: PeerComparison) -> dict[str, NDArray[Any]]:
    return {
        "life_ratio_to_peers": found.ratio,
        "ratio_low": found.low,
        "ratio_high": found.high,
        "p_value": found.p_value,
        "shuffled": found.shuffled,
        "n_peers": found.n_peers.astype(np.int32),
        "n_peers_failed": found.n_peers_failed.astype(np.int32),
        "n_strata": found.n_strata.astype(np.int32),
    }


def _with_flags(rows: pl.DataFrame) -> pl.DataFrame:
    """Flag short lifetimes among all groups that were compared; nothing if none were."""
    if "p_value" not in rows.columns:
        return rows
    q_value = benjamini_hochberg(rows["p_value"].to_numpy())
    short = (q_value < Q_BELOW) & (rows["ratio_high"].to_numpy() < 1)
    enough = rows["n_failed"].to_numpy() >= ENOUGH_TO_FLAG
    return rows.with_columns(pl.Series("q_value", q_value), pl.Series("flagged", short & enough))


def _counts(own: pl.DataFrame) -> pl.DataFrame:
    """Count how parts ended, and take their names."""

    def ended(reason: str) -> pl.Expr:
        return (pl.col("ended_by") == reason).sum().cast(pl.Int32)

    return own.group_by("group").agg(
        pl.len().cast(pl.Int32).alias("n_followed"),
        ended("preventive").alias("n_preventive"),
        ended("accident").alias("n_accident"),
        ended("unknown").alias("n_unknown_reason"),
        ended("lost_sight").alias("n_lost_sight"),
        ended("not_held").alias("n_not_held"),
        (pl.col("km_unwatched") > 0).sum().cast(pl.Int32).alias("n_late_entry"),
        pl.col("family_label").drop_nulls().mode().sort().first(),
        pl.col("part_grade").drop_nulls().unique().sort().str.join(" ").alias("part_grades"),
    )


def _with_blanks(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the columns that do not apply to a grouping; nan and "no limit" become empty."""
    missing = [
        pl.lit(None, dtype).alias(name)
        for name, dtype in _BLANKS.items()
        if name not in rows.columns
    ]
    floats = [name for name, dtype in rows.schema.items() if dtype == pl.Float64]
    endless = [c for c in ("b10_high_km", "ratio_high", "life_ratio_to_peers") if c in rows.columns]
    return rows.with_columns(pl.col(floats).fill_nan(None)).with_columns(
        *missing, pl.col(endless).replace(float("inf"), None), pl.col("pattern").replace("", None)
    )


def _expected(rows: pl.DataFrame, tables: PartTables) -> list[pl.Series]:
    """Look up the expected lifetime of each row's part, and its source."""
    expectations = [
        tables.expected(component, number)
        for component, number in rows.select("component", "part_number").iter_rows()
    ]
    return [
        pl.Series("expected_km", [life and life.km for life in expectations], dtype=pl.Float64),
        pl.Series(
            "expected_source", [life and life.source for life in expectations], dtype=pl.String
        ),
    ]


def _test() -> pl.Expr:
    """Name the test behind the p value."""
    return pl.when(pl.col("p_value").is_not_null()).then(
        pl.when(pl.col("shuffled") > 0).then(pl.lit("shuffling")).otherwise(pl.lit("mid_p"))
    )


def _claims_told(
    followed: Iterable[Followed], rules: PartRules, kept_claims: list[Followed]
) -> Iterator[pl.DataFrame]:
    """Yield the claims of some families after another; their other results are set aside."""
    for block in followed:
        yield _claims(block.units, rules)
        kept_claims.append(block.bare())


def _claims(units: pl.DataFrame, rules: PartRules) -> pl.DataFrame:
    """One row for each part fitted; of factory parts, only those that failed."""
    shown = pl.col("is_factory").not_() | pl.col("ended_by").is_in(["failure", "unknown"])
    failures = ["failure", "unknown"] if rules.unknown_reason_is_failure else ["failure"]
    return units.filter(shown).with_columns(
        pl.col("component").alias("part_family"),
        pl.col("ended_by").is_in(failures).alias("failed"),
    )


_BLANKS: dict[str, pl.DataType | type[pl.DataType]] = {
    "part_brand": pl.String,
    "part_number": pl.String,
    "position": pl.String,
    "life_ratio_to_peers": pl.Float64,
    "ratio_low": pl.Float64,
    "ratio_high": pl.Float64,
    "p_value": pl.Float64,
    "q_value": pl.Float64,
    "flagged": pl.Boolean,
    "shuffled": pl.Float64,
    "n_peers": pl.Int32,
    "n_peers_failed": pl.Int32,
    "n_strata": pl.Int32,
}
