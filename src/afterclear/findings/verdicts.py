"""Verdicts: the evidence of every attempt through the pooled model, into the store.

The only place where stored histories meet the estimators.  An attempt's window is what was
evidenced; its group (component, kind of attempt, first or repeated) lends it strength; how often
the same fault begins anew where nobody ever worked on it is the background a return is held
against.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from afterclear.analyses.checks import FloatArray, IntArray
from afterclear.analyses.fix_held import FixHeld, fix_held
from afterclear.analyses.rates import onset_rates, shrunken_rates
from afterclear.store.database import Connection, create_temp_table, query, transaction

# Attempts on one component are pooled whatever its position: a fleet has few of each corner.
GROUP = ["component", "kind", "is_repeat"]
# Repeats fail more often than first attempts, bare clears more often than repairs: each sort
# leans on its own kind only.
STRATUM = ["kind", "is_repeat"]


@dataclass(frozen=True, slots=True)
class Judged:
    """The fitted model with the rows it was given: what findings about sites rest on."""

    fit: FixHeld
    windows: pl.DataFrame  # one row an attempt, in the order of their ids; shape (n,)
    group: IntArray  # (n,)
    stratum: IntArray  # (n,) place of its prior in ``fit.priors``
    low_km: FloatArray  # (n,) the fault came back in (low, high]; as given to the fit
    high_km: FloatArray  # (n,) inf: not seen again
    background_per_km: FloatArray  # (n,)


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Counts of a judgement, for the run's report, and the model behind it."""

    n_attempts: int
    by_outcome: dict[str, int]
    judged: Judged | None = None  # None: no attempts


def judge_attempts(con: Connection, held_below: float) -> Verdicts:
    """Judge every attempt in the store anew; replace ``verdicts``.

    Verdicts depend on the whole fleet, so all of them are made again: the windows are a small
    table.
    """
    windows = _windows(con)
    judged = _judged(windows, _background(con), held_below) if len(windows) else None
    verdicts = _verdicts(judged, held_below) if judged else _NONE
    with transaction(con):
        create_temp_table(con, "judged", verdicts)
        con.execute("DELETE FROM store.verdicts")
        con.execute("INSERT INTO store.verdicts BY NAME FROM judged")
    counts = verdicts["outcome"].value_counts()
    return Verdicts(len(verdicts), dict(counts.sort("outcome").iter_rows()), judged)


def _windows(con: Connection) -> pl.DataFrame:
    """Each attempt's (low, high] in evidenced km, and its group."""
    return query(
        con,
        """SELECT attempt_id, family, component_of(family) AS component, kind, is_repeat,
               clean_km AS low_km, returned, stayed,
               CASE WHEN returned THEN clean_km + unwatched_km END AS high_km,
               -- a code that was never gone tells nothing of when it would have come back
               returned AND unwatched_km IS NOT NULL
                   AND NOT (stayed AND coalesce(is_uncleared, false)) AS has_return
           FROM store.attempts
           LEFT JOIN (SELECT attempt_id, bool_or(reason = 'still_there_uncleared') AS is_uncleared
                      FROM store.evidence WHERE finding = 'stayed' GROUP BY attempt_id)
               USING (attempt_id)
           ORDER BY attempt_id""",
    )


def _background(con: Connection) -> dict[str, float]:
    """Rate per km at which a family's fault begins on a unit never worked on for it.

    A family's exposure is all km over which a unit of the sort that ever showed it was watched
    without it (``analyses/rates.py``); thin families lean on the others.  A sort is a
    unit's name on one engine kind, as for recurring codes: a fleet's electric cars do not make
    misfires rare.
    """
    gaps = query(con, "SELECT family, gap_km FROM store.onsets ORDER BY family, gap_km")
    watched = query(
        con,
        """WITH kinds AS (
               SELECT vehicle_id, coalesce(powertrain, '') AS engine FROM store.vehicles
           ), sorts AS (
               SELECT ecu, coalesce(engine, '') AS engine,
                   -- in a fixed order: sums in another order differ in their last digits
                   sum(km ORDER BY km) AS km
               FROM store.watched LEFT JOIN kinds USING (vehicle_id) GROUP BY ALL
           ), showed AS (
               SELECT DISTINCT family, ecu, coalesce(engine, '') AS engine
               FROM store.episodes LEFT JOIN kinds USING (vehicle_id)
           )
           SELECT family, sum(km ORDER BY km) AS km
           FROM showed JOIN sorts USING (ecu, engine) GROUP BY family ORDER BY family""",
    )
    if not len(watched) or watched["km"].sum() <= 0:
        return {}
    place = {family: i for i, family in enumerate(watched["family"])}
    group = np.array([place[f] for f in gaps["family"]], dtype=np.int64)
    dirty = gaps["gap_km"].to_numpy()
    dirty_by_family = np.bincount(group, weights=dirty, minlength=len(place))
    clean = np.maximum(watched["km"].to_numpy() - dirty_by_family, 0.0)
    rates = onset_rates(group, dirty, clean)
    usable = np.isfinite(rates.exposure_km) & (rates.exposure_km > 0)
    count = np.where(usable, rates.n_onsets, 0)
    shrunken = shrunken_rates(count, np.where(usable, rates.exposure_km, 0.0)).mean()
    return dict(zip(watched["family"], shrunken.tolist(), strict=True))


def _judged(windows: pl.DataFrame, background: dict[str, float], limit: float) -> Judged:
    group, stratum = _numbers(windows, GROUP), _numbers(windows, STRATUM)
    low = np.where(windows["returned"] & ~windows["has_return"], 0.0, windows["low_km"].to_numpy())
    high = np.where(windows["has_return"], windows["high_km"].fill_null(np.inf).to_numpy(), np.inf)
    rate = np.array([background.get(family, 0.0) for family in windows["family"]])
    fit = fix_held(group, low, high, rate, stratum=stratum, threshold=limit)
    # names of a million attempts are no small thing to keep
    kept = windows.drop("family", "component", "kind", "is_repeat")
    return Judged(fit, kept, group, stratum, low, high, rate)


def _verdicts(judged: Judged, limit: float) -> pl.DataFrame:
    fit, windows, group = judged.fit, judged.windows, judged.group
    return (
        windows.with_columns(
            pl.Series("p_not_held", fit.p_not_held),
            pl.Series("p_same_fault", fit.p_same_fault),
            pl.Series("km_to_go", fit.km_to_go),
            pl.Series("n_group", fit.groups.n_informative[group], dtype=pl.Int32),
            pl.Series("group_returned", fit.groups.n_returned[group], dtype=pl.Int32),
        )
        .with_columns(_outcome(limit))
        .with_columns(
            pl.when(~pl.col("returned")).then("p_not_held"),
            pl.when(pl.col("has_return")).then("p_same_fault"),
            pl.when(pl.col("outcome").is_in(["on_watch", "unchecked"]))
            .then("km_to_go")
            .replace(float("inf"), None),
            pl.when("returned").then("low_km").alias("returned_low_km"),
            pl.when("returned").then("high_km").alias("returned_high_km"),
        )
        .select(_NONE.columns)
    )


def _numbers(windows: pl.DataFrame, columns: list[str]) -> IntArray:
    """Give each distinct combination of some columns a number from 0."""
    ranks = windows.select(pl.struct(columns).rank("dense").alias("rank"))["rank"]
    return ranks.to_numpy().astype(np.int64) - 1


def _outcome(limit: float) -> pl.Expr:
    """Design 7: returned, proven, evidenced but not proven, or nothing to go by."""
    return (
        pl.when("returned")
        .then(pl.lit("came_back"))
        .when(pl.col("low_km") <= 0)
        .then(pl.lit("unchecked"))
        .when(pl.col("p_not_held") < limit)
        .then(pl.lit("held"))
        .otherwise(pl.lit("on_watch"))
        .alias("outcome")
    )


_NONE = pl.DataFrame(
    schema={
        "attempt_id": pl.String,
        "outcome": pl.String,
        "p_not_held": pl.Float64,
        "p_same_fault": pl.Float64,
        "km_to_go": pl.Float64,
        "returned_low_km": pl.Float64,
        "returned_high_km": pl.Float64,
        "n_group": pl.Int32,
        "group_returned": pl.Int32,
    }
)
