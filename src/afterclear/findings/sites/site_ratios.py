"""Whose fixes hold: sites, technicians, part brands and part grades, compared with expectation.

What to expect of an attempt is the chance that its come-back would have been seen inside its own
evidence, from the model its verdict came from, times a factor for platform, engine and age.  A
come-back counts where the work was done, wherever it was seen.  A fault that was still there in
the visit of its repair is counted beside: whoever looks at once should not fare worse for it.
What was done about a code that only followed from another is counted with that other's fix.
"""

from dataclasses import dataclass
from datetime import timedelta
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.rates.case_mix import Pooled, case_mix_factors, expected_beside
from afterclear.estimators.rates.observed_expected import (
    ENOUGH_JUDGED,
    separated_ratios,
    site_ratios,
)
from afterclear.estimators.rates.site_residuals import SiteResiduals, site_residuals
from afterclear.finding_tables.sites import COUNTED_AS
from afterclear.findings.common.tables import forget, keep
from afterclear.findings.sites.latest_work import latest_work, since_quarter
from afterclear.findings.verdicts import RATHER_FAILED, Judged
from afterclear.store.engine.database import Connection, create_temp_table, query, transaction

# A vehicle not seen for this long after the work is lost to follow-up (common practice, no source)
LOST_AFTER = timedelta(days=180)
_SQL = files("afterclear.findings") / "sql" / "holders.sql"
_Q_BELOW = 0.05
# level -> what its effect is separated from: the ratio within each of these
_APART = {"site": "brand", "technician": "site", "brand": "site", "grade": "site"}


@dataclass(frozen=True, slots=True)
class Outcomes:
    """Attempts as sites are judged by them: rows with come-backs observed and expected."""

    rows: pl.DataFrame  # site, technician, brand, grade, is_bare, quarter, ...; shape (n,)
    returned: FloatArray  # (n,) 1: its come-back was observed
    expected: FloatArray  # (n,) chance of seeing one inside its evidence; 0: not judged
    never_gone: BoolArray  # (n,) still there in the visit of the work
    lost: FloatArray  # (n,) 1: the vehicle was never seen again
    p_failed: FloatArray  # (n,) P(the work did not hold | all that was seen)
    p_seen: FloatArray  # (n,) the same, without what only a scan in the same visit shows
    vehicle: IntArray  # (n,) number of its vehicle
    pooled: Pooled  # (n,) the fit's estimate for each one's group

    def part(self, rows: BoolArray) -> "Outcomes":
        """Pick some of the attempts."""
        return Outcomes(
            self.rows.filter(rows),
            self.returned[rows],
            self.expected[rows],
            self.never_gone[rows],
            self.lost[rows],
            self.p_failed[rows],
            self.p_seen[rows],
            self.vehicle[rows],
            self.pooled.part(rows),
        )


def compare_groups(con: Connection, judged: Judged | None) -> Outcomes | None:
    """Replace ``holders``: sites, technicians, brands and grades; None: no attempts.

    Needs ``vehicle_traits``, ``order_parts``, the roles, the settings of the histories.
    """
    if judged is None:
        keep(con, "holders", None)
        keep(con, "counted_work", None)
        return None
    con.execute("SET VARIABLE lost_after = ?", [LOST_AFTER])
    con.script(_SQL.read_text(encoding="utf-8"))
    rows, attempts = _rows(con)
    outcomes = _outcomes(rows, judged)
    _keep_counted_work(con, outcomes, attempts)
    levels = [found for level in _APART if (found := _level(outcomes, level)) is not None]
    keep(con, "holders", pl.concat(levels) if levels else None)
    return outcomes


def _keep_counted_work(con: Connection, outcomes: Outcomes, attempts: pl.Series) -> None:
    """Store the repairs and as what each counts; what they are about is copied in the database."""
    repairs = outcomes.rows.select(
        attempts.alias("attempt_id"),
        pl.col("brand").cast(pl.String).alias("part_brand"),
        pl.col("grade").cast(pl.String).alias("part_grade"),
        pl.Series("is_judged", outcomes.expected > 0),
        pl.Series("came_back", outcomes.returned > 0),
        pl.col("counted_as").cast(pl.String),
        "is_bare",
    ).filter(~pl.col("is_bare"))
    create_temp_table(con, "counted", repairs.drop("is_bare"))
    with transaction(con):
        con.execute("DELETE FROM store.counted_work")
        con.execute(
            """INSERT INTO store.counted_work BY NAME
               SELECT c.*, a.vehicle_id, a.attempted_at, a.repair_id, a.site, a.ecu, a.code
               FROM counted c JOIN store.attempts a USING (attempt_id)"""
        )
    forget(con, ("counted",))


def _rows(con: Connection) -> tuple[pl.DataFrame, pl.Series]:
    """Return the attempts in the order of the verdicts' windows, and the ids of those that count.

    Names are numbered once (an ``Enum`` sorts as its names do), and their tables dropped: ranking a
    million names again for each question was most of the work.
    """
    rows = query(con, "SELECT * FROM holder_attempts ORDER BY attempt_id")
    forget(con, ("attempt_brands", "holder_attempts"))
    attempts = rows.filter(~pl.col("is_echo"))["attempt_id"]
    named = rows.drop("attempt_id").with_columns(
        pl.col(name).cast(pl.Enum(rows[name].drop_nulls().unique().sort()))
        for name in ("site", "technician", "brand", "grade")
    )
    return named, attempts


def _outcomes(rows: pl.DataFrame, judged: Judged) -> Outcomes:
    windows = judged.windows
    stayed, has_return = windows["stayed"].to_numpy(), windows["has_return"].to_numpy()
    never_gone = stayed & has_return
    # still there at a later scan, with no clear between: the come-back is somewhere up to that scan
    seen_later = stayed & ~has_return & windows["high_km"].is_not_null().to_numpy()
    high = np.where(seen_later, windows["high_km"].fill_null(np.inf).to_numpy(), judged.high_km)
    p_failed = judged.p_failed()
    counts = ~rows["is_echo"].to_numpy()
    is_back = np.isfinite(high) & ~never_gone & counts
    returned = is_back & (p_failed >= RATHER_FAILED)
    n_clean = rows["scans_used"].to_numpy() - windows["returned"].to_numpy()
    chance = judged.expected_returns(high, n_clean)
    chance = np.where(never_gone | ~counts, 0.0, chance)
    pooled = _pooled(judged)
    came = returned.astype(np.float64)
    chance *= _share_counted(came, np.where(is_back, p_failed, 0.0), rows["is_bare"].to_numpy())
    factor = case_mix_factors([numbers(rows, "traits")], numbers(rows, "site"), came, chance)
    expected = chance * factor
    counted_as = _counted_as(rows["is_held"].to_numpy(), is_back, returned, never_gone, expected)
    return Outcomes(
        rows.drop("scans_used", "traits", "vehicle", "is_echo", "is_held").with_columns(counted_as),
        came,
        expected,
        never_gone,
        rows["is_lost"].to_numpy().astype(np.float64),
        p_failed,
        np.where(never_gone, pooled.share_failed, p_failed),
        rows["vehicle"].to_numpy().astype(np.int64),
        pooled,
    ).part(counts)


def _counted_as(
    is_held: BoolArray,
    is_back: BoolArray,
    returned: BoolArray,
    never_gone: BoolArray,
    expected: FloatArray,
) -> pl.Series:
    """Say as what each attempt counts; each as exactly one of ``COUNTED_AS``."""
    is_judged = expected > 0
    cases = (returned, is_back, never_gone, is_judged & is_held, is_judged)
    number = np.select(cases, range(len(cases)), default=len(cases))
    words = pl.Series("counted_as", COUNTED_AS, dtype=pl.Enum(COUNTED_AS))
    return words.gather(number)


def _share_counted(came: FloatArray, p_failed: FloatArray, is_bare: BoolArray) -> FloatArray:
    """Return the ratio of come-backs counted to come-backs expected, shape (n,).

    Whole come-backs are counted (those more likely failures than not), but fractions of all are
    expected: where failures are rare, expectations are up to twice the counts. The ratio is taken
    over the fleet, for repairs and for bare clears.
    """
    counted = np.ones(came.size)
    for kind in (is_bare, ~is_bare):
        # one more of each: even a small fleet without a come-back expects something
        counted[kind] = (came[kind].sum() + 1) / (p_failed[kind].sum() + 1)
    return counted


def _pooled(judged: Judged) -> Pooled:
    """Collect the fit's estimate for each attempt's group."""
    priors = judged.fit.priors
    return Pooled(
        group=judged.group,
        stratum=judged.stratum,
        share_failed=judged.share_failed,
        prior_share=np.array([prior.p_mean for prior in priors])[judged.stratum],
        prior_weight=np.array([prior.a + prior.b for prior in priors])[judged.stratum],
    )


def numbers(rows: pl.DataFrame, column: str) -> IntArray:
    """Assign numbers from 0 to the distinct values of a column; empty counts as a value."""
    codes = rows[column].to_physical().cast(pl.Int64).fill_null(-1).to_numpy() + 1
    return np.asarray((np.cumsum(np.bincount(codes) > 0) - 1)[codes])


def _level(outcomes: Outcomes, level: str) -> pl.DataFrame | None:
    """Judge the groups of one level; None: no names are given."""
    rows = outcomes.rows.with_columns(
        pl.Series("never_gone", outcomes.never_gone), _group(level).alias("holder")
    )
    named = rows["holder"].is_not_null().to_numpy()
    if not named.any():
        return None
    own = rows.filter(named)
    number = numbers(rows, "holder")
    # a bare clear is nobody's workmanship: the habit has its own finding (``process``)
    work = ~rows["is_bare"].to_numpy()
    returned, chance = outcomes.returned * work, outcomes.expected * work
    tested = _residuals(outcomes, number, work, named)
    expected = chance.copy()
    expected[work] *= tested.expected / outcomes.pooled.share_failed[work]
    arrays = [array[named] for array in (returned, expected, outcomes.lost)]
    columns = _ratios(numbers(own, "holder"), arrays)
    if level == "site":
        columns |= _tested(tested, columns["label"])
    ratio = np.append([] if named.all() else [1.0], columns["shrunken_ratio"])
    beside = expected_beside(
        outcomes.pooled, number, returned, chance, np.nan_to_num(ratio, nan=1.0)
    )
    columns |= _apart(own, level, [returned[named], beside[named]])
    columns |= _of_its_own(columns, level)
    blank = [n for n, values in columns.items() if values.dtype == np.float64]
    since = since_quarter(outcomes.rows["quarter"])
    return (
        _counts(own, level)
        .hstack(latest_work(own["quarter"], since, numbers(own, "holder"), *arrays[:2]))
        .with_columns(pl.Series(name, values) for name, values in columns.items())
        .with_columns(pl.col(blank).fill_nan(None))
        .with_columns(
            level=pl.lit(level),
            apart_from=pl.lit(_APART[level]),
            reason=pl.when("as_its_site").then(pl.lit("as_its_site")).otherwise("label"),
        )
        .drop("as_its_site")
    )


def _residuals(
    outcomes: Outcomes, number: IntArray, work: BoolArray, named: BoolArray
) -> SiteResiduals:
    """Test groups by their work; those without a name come first, if there are any."""
    n_judged = np.bincount(number, (outcomes.expected > 0) & work & named)
    return site_residuals(
        outcomes.pooled.part(work),
        outcomes.p_seen[work],
        (number[work], outcomes.vehicle[work]),
        n_judged >= ENOUGH_JUDGED,
    )


def _tested(found: SiteResiduals, label: NDArray[Any]) -> dict[str, NDArray[Any]]:
    """Label by the test too: a funnel of counts misses much of what evidence shows in shares."""
    p, q, log_odds = (row[-label.size :] for row in (found.p_value, found.q_value, found.log_odds))
    sure = np.nan_to_num(q, nan=1.0) < _Q_BELOW
    labels = [label == "too_few", sure & (log_odds > 0), sure & (log_odds < 0)]
    label = np.select(labels, ["too_few", "worse", "better"], label)
    return {"p_value": p, "q_value": q, "label": label, "flagged": label == "worse"}


def _of_its_own(columns: dict[str, NDArray[Any]], level: str) -> dict[str, NDArray[Any]]:
    """Remove the label where others at the same site have it too: it is the site's."""
    is_sites = (columns["label"] == "worse") & (columns["ratio_apart_low"] <= 1)
    is_sites &= level != "site"
    label = np.where(is_sites, "ordinary", columns["label"])
    return {"label": label, "flagged": label == "worse", "as_its_site": is_sites}


def _group(level: str) -> pl.Expr:
    """Return the names rows are counted by, in order; technicians site by site."""
    name, site = (pl.col(n).to_physical().cast(pl.Int64) for n in (level, "site"))
    if level != "technician":
        return name
    return name * (site.max().fill_null(0) + 2) + site.fill_null(-1) + 1


def _counts(own: pl.DataFrame, level: str) -> pl.DataFrame:
    """Count what is not compared, one row for each group in the order of their numbers."""
    is_bare = pl.col("is_bare")
    return (
        own.group_by("holder")
        .agg(
            is_bare.not_().sum().cast(pl.Int32).alias("n_repairs"),
            is_bare.sum().cast(pl.Int32).alias("n_bare_clears"),
            pl.col("never_gone").sum().cast(pl.Int32).alias("n_never_gone"),
            *(
                (is_bare.not_() & (pl.col("counted_as") == word))
                .sum()
                .cast(pl.Int32)
                .alias(f"n_{word}")
                for word in ("worn_or_new", "still_there")
            ),
            pl.col("is_seen_elsewhere")
            .fill_null(value=False)
            .sum()
            .cast(pl.Int32)
            .alias("n_seen_elsewhere"),
            pl.col("site").drop_nulls().unique().sort().alias("at_sites"),
            pl.col(level).first().cast(pl.String).alias("name"),
        )
        .sort("holder")
        .with_columns(
            at_sites=pl.lit(None, pl.String)
            if level == "site"
            else pl.col("at_sites").cast(pl.List(pl.String)).list.join(", ")
        )
    )


def _ratios(number: IntArray, arrays: list[FloatArray]) -> dict[str, NDArray[Any]]:
    returned, expected, lost = arrays
    found = site_ratios(number, returned, expected, lost=lost, own_left_out=True)
    return {
        "n_attempts": found.n_attempts.astype(np.int32),
        "n_judged": found.n_judged.astype(np.int32),
        "observed": found.observed.astype(np.int32),
        "expected": found.expected,
        "ratio": found.ratio,
        "ratio_low": found.ratio_low,
        "ratio_high": found.ratio_high,
        "limit_ratio": found.limit_high,
        "flagged": found.label == "worse",
        "lost_to_follow_up": found.lost_share,
        "label": found.label,
        "limit_low": found.limit_low,
        "phi": np.full(found.ratio.size, found.phi),
        "p_value": found.p_value,
        "q_value": found.q_value,
        "shrunken_ratio": found.shrunken,
        "shrunken_low": found.shrunken_low,
        "shrunken_high": found.shrunken_high,
        "rank": found.rank.astype(np.int32),
    }


def _apart(own: pl.DataFrame, level: str, arrays: list[FloatArray]) -> dict[str, NDArray[Any]]:
    """Compare groups with those beside them: brands at one site, sites with one."""
    found = separated_ratios(
        numbers(own, "holder"), numbers(own, _APART[level]), arrays[0], arrays[1]
    )
    return {
        "ratio_apart": found.ratio,
        "ratio_apart_low": found.low,
        "ratio_apart_high": found.high,
        "p_apart": found.p_value,
        "n_side_by_side": found.n_strata.astype(np.int32),
    }
