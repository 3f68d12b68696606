"""Verdicts: the evidence of every attempt, through the pooled model, into the store.

The only place where stored histories meet the estimators. An attempt's window is its evidence; its
group (component, kind of attempt, first or repeated) lends it strength. A return is compared with
how often new faults of the kind begin, and with how long parts of its brand last on its component.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.validation import FloatArray, IntArray
from afterclear.estimators.causes.cell_prior import Cells
from afterclear.estimators.causes.judging import Attempts, OlderParts, ThreeCauses, judge
from afterclear.estimators.fix_held.fix_held import FixHeld
from afterclear.estimators.fix_held.pool import Levels
from afterclear.findings.common.numbering import numbered
from afterclear.findings.new_fault_rates import new_fault_rates
from afterclear.store.engine.database import Connection, create_temp_table, query, transaction

# Attempts on one component are pooled whatever its place: a fleet has few attempts at each corner.
GROUP = ["component", "kind", "is_repeat"]
# Repeats fail more often than first attempts, bare clears more often than repairs: each kind is
# pooled with its own kind first.
STRATUM = ["kind", "is_repeat"]
# Failed fixes come back after the same distances at the first attempt and at repeats, and after
# bare clears unless the fleet shows otherwise.
KIN = ["component"]
# What shares one law for returns that are not failures: parts of one brand on one component.
CELL = ["component", "kind", "may_wear", "part_brand"]
_CONF_LEVEL = 0.95
# A come-back that is more likely a worn part or a new fault does not count against the work.
RATHER_FAILED = 0.5
_VEHICLE_LIFE_KM = 500_000.0  # the setting's default
_LEAST_LIFE_LEFT = 0.1  # of a vehicle's life: a vehicle beyond it is still driven


@dataclass(frozen=True, slots=True)
class Judged:
    """The fitted model with its input rows: the basis of findings about sites."""

    causes: ThreeCauses
    windows: pl.DataFrame  # one row for each attempt, by id; shape (n,)
    rows: Attempts  # as given to the fit, shape (n,)

    @property
    def fit(self) -> FixHeld:
        """The fitted model of failures."""
        return self.causes.held

    @property
    def group(self) -> IntArray:
        """Group of each attempt, shape (n,)."""
        return self.rows.group

    @property
    def stratum(self) -> IntArray:
        """Index of each attempt's prior in ``fit.priors``, shape (n,)."""
        return self.rows.stratum

    @property
    def low_km(self) -> FloatArray:
        """The fault came back in (low, high], shape (n,)."""
        return self.rows.low_km

    @property
    def high_km(self) -> FloatArray:
        """The high end of each window; inf: not seen again."""
        return self.rows.high_km

    @property
    def share_failed(self) -> FloatArray:
        """Share of each attempt's group that fails, as it stood before its own evidence, (n,)."""
        return self.fit.groups.p_mean[self.group]

    def p_failed(self) -> FloatArray:
        """P(the work did not hold) of each attempt; 1 where the fault was never gone; (n,)."""
        is_seen = np.isfinite(self.high_km)
        chance = np.where(is_seen, self.fit.p_same_fault, self.fit.p_not_held)
        return np.where(self.windows["returned"].to_numpy() & ~is_seen, 1.0, chance)

    def evidence(self) -> pl.DataFrame:
        """Each attempt's chance of having failed, and how much likelier that made what was seen.

        attempt_id, p_failed, share_failed, odds_failed: P(seen | failed) / P(seen | held).
        """
        failed, share = self.p_failed(), self.share_failed
        with np.errstate(divide="ignore"):
            odds = failed / (1 - failed) / (share / (1 - share))
        return self.windows.select("attempt_id").with_columns(
            pl.Series("p_failed", failed),
            pl.Series("share_failed", share),
            pl.Series("odds_failed", odds),
        )

    def expected_returns(self, high_km: FloatArray, n_clean_scans: ArrayLike) -> FloatArray:
        """Return the expected returns of each attempt from failure alone, shape (n,).

        Inside its evidence, up to ``high_km`` where it came back.
        """
        rows = self.rows
        return self.fit.expected_returns(rows.group, rows.low_km, high_km, n_clean_scans)


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Counts of a judgement, for the report of the run, and the model behind it."""

    n_attempts: int
    by_outcome: dict[str, int]
    judged: Judged | None = None  # None: no attempts
    n_echoes: int = 0  # attempts at consequential codes: counted with the fix of the fault


def judge_attempts(
    con: Connection, held_below: float, vehicle_life_km: float = _VEHICLE_LIFE_KM
) -> Verdicts:
    """Judge every attempt in the store; replace ``verdicts``.

    Verdicts depend on the whole fleet, so all are replaced: the windows are a small table.
    """
    windows = _windows(con)
    judged = _judged(con, windows, held_below) if len(windows) else None
    verdicts = _verdicts(judged, held_below, vehicle_life_km) if judged else _NONE
    with transaction(con):
        create_temp_table(con, "judged", verdicts)
        con.execute("DELETE FROM store.verdicts")
        con.execute("INSERT INTO store.verdicts BY NAME FROM judged")
        con.execute("DROP TABLE temp.judged")  # of a million attempts it takes much memory
    counts = verdicts["outcome"].value_counts()
    return Verdicts(len(verdicts), dict(counts.sort("outcome").iter_rows()), judged)


def _windows(con: Connection) -> pl.DataFrame:
    """Each attempt's (low, high] in evidenced km, and its group.

    ``before``: index of the previous attempt on its fault; ``fitted``: of the last one that may
    have fitted a part, this or an earlier one.
    """
    return query(
        con,
        """SELECT lag(place) OVER fault AS before,
               last_value(CASE WHEN may_wear THEN place END IGNORE NULLS) OVER fault AS fitted,
               attempt_id, vehicle_id, attempted_km, family,
               coalesce(may_wear, false) AS may_wear, coalesce(part_brand, '') AS part_brand,
               component_of(family) AS component, kind, is_repeat, clean_km AS low_km, returned,
               stayed,
               CASE WHEN returned THEN clean_km + unwatched_km END AS high_km,
               -- a code that was never gone tells nothing of when it would have come back
               returned AND unwatched_km IS NOT NULL
                   AND NOT (stayed AND coalesce(is_uncleared, false)) AS has_return
           FROM (SELECT *, row_number() OVER (ORDER BY attempt_id) - 1 AS place
                 FROM store.attempts)
           LEFT JOIN (SELECT attempt_id, bool_or(reason = 'still_there_uncleared') AS is_uncleared
                      FROM store.evidence_runs JOIN store.fix_numbers USING (fix_no)
                      WHERE finding = 'stayed' GROUP BY attempt_id)
               USING (attempt_id)
           WINDOW fault AS (PARTITION BY vehicle_id, ecu, code ORDER BY attempted_at, attempt_no)
           ORDER BY attempt_id""",
    )


def _judged(con: Connection, windows: pl.DataFrame, limit: float) -> Judged:
    rates = new_fault_rates(con, windows["family"].unique().to_list())
    low = np.where(windows["returned"] & ~windows["has_return"], 0.0, windows["low_km"].to_numpy())
    high = np.where(windows["has_return"], windows["high_km"].fill_null(np.inf).to_numpy(), np.inf)
    cell = numbered(windows, CELL)
    rows = Attempts(
        numbered(windows, GROUP),
        numbered(windows, STRATUM),
        numbered(windows, KIN),
        (windows["kind"] == "clear_only").to_numpy(),
        cell,
        low,
        high,
        rates.per_km(windows["family"], windows["vehicle_id"]),
        rates.log_sd(windows["family"]),
        _older(windows, cell),
    )
    causes = judge(rows, _cells(windows, rows.cell), Levels(limit, _CONF_LEVEL))
    # names of a million attempts take much memory
    names = ("family", "component", "vehicle_id", "part_brand", "before", "fitted")
    return Judged(causes, windows.drop(names), rows)


def _older(windows: pl.DataFrame, cell: IntArray) -> OlderParts:
    """Find the part each attempt left in place: the last one fitted for its fault."""
    before, fitted = (windows[name].fill_null(-1).to_numpy() for name in ("before", "fitted"))
    km = windows["attempted_km"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    age = km - km[fitted]
    is_left = (fitted >= 0) & ~windows["may_wear"].to_numpy() & (age >= 0)
    return OlderParts(
        np.where(is_left, cell[fitted], -1), np.where(is_left, age, 0.0), np.maximum(before, 0)
    )


def _cells(windows: pl.DataFrame, cell: IntArray) -> Cells:
    """Describe each cell, in the order of their numbers."""
    _, first = np.unique(cell, return_index=True)
    each = windows[first]
    return Cells(
        numbered(each, ["component"]),
        numbered(each, ["part_brand"]),
        numbered(each, ["kind"]),
        each["may_wear"].to_numpy(),
    )


def _verdicts(judged: Judged, limit: float, vehicle_life_km: float) -> pl.DataFrame:
    fit, causes, group = judged.fit, judged.causes, judged.group
    part = np.where(judged.rows.older.cell >= 0, judged.rows.older.cell, judged.rows.cell)
    columns: dict[str, FloatArray | IntArray] = {
        "p_not_held": fit.p_not_held,
        "p_same_fault": fit.p_same_fault,
        "p_worn": causes.p_worn,
        "p_new": causes.p_new,
        "km_to_go": fit.km_to_go,
        "usual_life_km": causes.others.usual_life()[part],
        "n_group": fit.groups.n_informative[group],
        "group_returned": fit.groups.n_returned[group],
    }
    frame = judged.windows.with_columns(pl.Series(name, values) for name, values in columns.items())
    of_return = [pl.when("has_return").then(name) for name in ("p_same_fault", "p_worn", "p_new")]
    return (
        frame.with_columns(_outcome(limit))
        .with_columns(
            pl.when(~pl.col("returned")).then("p_not_held"),
            *of_return,
            _km_to_go(vehicle_life_km),
            pl.col("usual_life_km").fill_nan(None),
            pl.when("returned").then("low_km").alias("returned_low_km"),
            pl.when("returned").then("high_km").alias("returned_high_km"),
        )
        .select(_NONE.columns)
        .cast(_NONE.schema)
    )


def _km_to_go(vehicle_life_km: float) -> pl.Expr:
    """Km to go of attempts on watch; none if the vehicle will never drive so far."""
    driven = pl.col("attempted_km").fill_null(0.0) + pl.col("low_km")
    left = (vehicle_life_km - driven).clip(_LEAST_LIFE_LEFT * vehicle_life_km)
    is_open = pl.col("outcome").is_in(["on_watch", "unchecked"])
    return pl.when(is_open & (pl.col("km_to_go") <= left)).then("km_to_go")


def _outcome(limit: float) -> pl.Expr:
    """Design 7: returned, proven, evidenced but not proven, or no evidence."""
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
        "p_worn": pl.Float64,
        "p_new": pl.Float64,
        "km_to_go": pl.Float64,
        "returned_low_km": pl.Float64,
        "returned_high_km": pl.Float64,
        "n_group": pl.Int32,
        "group_returned": pl.Int32,
        "usual_life_km": pl.Float64,
    }
)
