"""Codes that begin again on a vehicle more often than on its peers.

A code's rate on a vehicle comes from how far its control unit was watched without the code and
from the stretches in which the code began (statistics 2.1); what peers did is the yardstick, the
vehicle itself left out, and a vehicle's own rate is drawn towards it by what it is worth (2.3).
"""

from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Any

import numpy as np
import polars as pl

from afterclear.analyses.checks import FloatArray
from afterclear.analyses.rates import (
    ShrunkenRates,
    onset_rates,
    poisson_excess_p,
    q_values_by_group,
    shrunken_rates,
)
from afterclear.findings.kept import keep
from afterclear.findings.peers import PeerRates, at_risk, peer_rates, vehicles_without
from afterclear.findings.words import counted, decimal, whole
from afterclear.normalise.catalogue import Catalogue
from afterclear.store.database import Connection, create_temp_table, query

TIMES_PEERS = 1.5  # a rate this many times the peers' is worth a flag ...
SURE = 0.9  # ... where it is so probable,
ENOUGH_ONSETS = 2  # not on one onset alone,
Q_BELOW = 0.1  # and few of the flags in a family of codes are wrong (statistics 2.3)
_SQL = files("afterclear.findings") / "sql" / "recurring.sql"


@dataclass(frozen=True, slots=True)
class _Judged:
    """What is said of each row of faults, arrays of its length."""

    expected: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    p_excess: FloatArray
    posterior: ShrunkenRates


def find_recurring(con: Connection, catalogue: Catalogue) -> int:
    """Fill ``recurring`` anew; return how many rows are flagged.

    Needs ``vehicle_traits`` and the settings of the histories.
    """
    _put_rules(con, catalogue)
    con.execute(_SQL.read_text(encoding="utf-8"))
    faults, units = _faults(con), _units(con)
    found = _told(faults, units) if len(faults) else None
    keep(con, "recurring", found)
    return 0 if found is None else int(found["flagged"].sum())


def _put_rules(con: Connection, catalogue: Catalogue) -> None:
    """Put monitor and needed distance of every code that had an episode into ``code_rules``."""
    met = query(con, "SELECT DISTINCT code, family FROM store.episodes ORDER BY code, family")
    rows = [
        (code, family, catalogue.monitor(code), catalogue.min_distance_after_clear_km(family))
        for code, family in met.iter_rows()
    ]
    schema = {
        "code": pl.String,
        "family": pl.String,
        "monitor": pl.String,
        "min_clean_km": pl.Float64,
    }
    create_temp_table(con, "code_rules", pl.DataFrame(rows, schema=schema, orient="row"))


def _units(con: Connection) -> pl.DataFrame:
    """Every unit ever read, how far it was watched, and its vehicle's traits."""
    return query(
        con,
        """SELECT u.vehicle_id, u.ecu, u.km AS unit_km, t.platform, t.engine, t.age_band
           FROM unit_km u JOIN vehicle_traits t USING (vehicle_id)
           ORDER BY u.vehicle_id, u.ecu""",
    )


def _faults(con: Connection) -> pl.DataFrame:
    """Every code a unit ever had, with its onsets and the km at risk they came from."""
    faults = query(
        con,
        """SELECT f.vehicle_id, f.ecu, f.code, f.family, f.n_episodes::INTEGER AS n_episodes,
               coalesce(c.km, 0) AS clean_km, coalesce(u.km, 0) AS unit_km, t.platform, t.engine,
               t.age_band
           FROM unit_faults f
           JOIN vehicle_traits t USING (vehicle_id)
           LEFT JOIN clean_km c USING (vehicle_id, ecu, code)
           LEFT JOIN unit_km u USING (vehicle_id, ecu)
           ORDER BY f.vehicle_id, f.ecu, f.code""",
    ).with_row_index("fault")
    pairs = query(
        con, "SELECT vehicle_id, ecu, code, km FROM dirty_pairs ORDER BY vehicle_id, ecu, code, km"
    ).join(faults.select("vehicle_id", "ecu", "code", "fault"), on=["vehicle_id", "ecu", "code"])
    pairs = pairs.sort("fault", "km")
    rates = onset_rates(
        pairs["fault"].to_numpy().astype(np.int64), pairs["km"], faults["clean_km"].to_numpy()
    )
    return faults.with_columns(
        pl.Series("n_onsets", rates.n_onsets, dtype=pl.Int32),
        pl.Series("exposure_km", rates.exposure_km).fill_nan(0.0),
        pl.Series("rate", rates.rate_per_km).fill_nan(None).replace(float("inf"), None),
    )


def _told(faults: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    codes = at_risk(faults, units)
    peers = peer_rates(faults, faults, units, codes)
    judged = _judge(faults, units, codes, peers)
    flagged = (
        (judged.p_excess > SURE)
        & (faults["n_onsets"].to_numpy() >= ENOUGH_ONSETS)
        & (np.nan_to_num(judged.q_value, nan=1.0) < Q_BELOW)
    )
    spread = judged.posterior
    columns: dict[str, Any] = {
        "rate_per_10000km": faults["rate"] * 10_000,
        "peer_rate_per_10000km": peers.rate_per_km * 10_000,
        "p_excess": judged.p_excess,
        "q_value": judged.q_value,
        "p_value": judged.p_value,
        "flagged": flagged,
        "expected_onsets": judged.expected,
        "ratio": spread.mean(),
        "ratio_low": spread.quantile(0.025),
        "ratio_high": spread.quantile(0.975),
        "peers": peers.who,
        "peer_onsets": peers.n_onsets.astype(np.int32),
        "peer_km": peers.exposure_km,
    }
    return (
        faults.drop("rate")
        .with_columns(pl.Series(name, values) for name, values in columns.items())
        .with_columns(pl.col("p_value", "q_value").fill_nan(None))
        .filter(pl.col("n_episodes") > 1)
        .with_columns(
            _sentence(),
            method=pl.lit(
                "panel onset rate, gamma-Poisson shrinkage to peers (95 % interval), mid-p, "
                "Benjamini-Hochberg within the family"
            ),
        )
    )


def _judge(
    faults: pl.DataFrame, units: pl.DataFrame, codes: pl.DataFrame, peers: PeerRates
) -> _Judged:
    """Hold each fault's onsets against what its peers let expect over the same distance."""
    expected = peers.rate_per_km * faults["exposure_km"].to_numpy()
    count = faults["n_onsets"].to_numpy().astype(np.float64)
    count = np.where(expected > 0, count, 0.0)
    others = vehicles_without(faults, units, codes)
    others_expected = (
        peer_rates(others, faults, units, codes).rate_per_km * others["exposure_km"].to_numpy()
    )
    posterior = _posterior(
        count, expected, others_expected, others["n_vehicles"].to_numpy().astype(np.float64)
    )
    p_value = np.where(expected > 0, poisson_excess_p(count, expected), np.nan)
    component = _component(faults)
    n_tested = (
        codes.join(component.select("ecu", "code", "component").unique(), on=["ecu", "code"])
        .group_by("component")
        .agg(pl.col("n_vehicles").sum())
        .sort("component")
    )
    q_value = np.full(len(faults), np.nan)
    some = np.flatnonzero(np.isfinite(p_value))
    q_value[some] = q_values_by_group(
        p_value[some], component["component"].to_numpy()[some], n_tested["n_vehicles"].to_numpy()
    )
    return _Judged(expected, p_value, q_value, posterior.p_above(TIMES_PEERS), posterior)


def _posterior(
    count: FloatArray, expected: FloatArray, others_expected: FloatArray, n_others: FloatArray
) -> ShrunkenRates:
    """Each fault's rate over its peers', the spread told by all vehicles at risk.

    The spread is fitted to expected onsets of three digits, like rows together: the fourth says
    nothing of it, and a large fleet has half a million rows.
    """
    if not expected.sum() + others_expected.sum() > 0:  # nothing was watched: all are at 1
        return ShrunkenRates(np.inf, np.inf, 1.0, 0.0, count, expected)
    rows = (
        pl.DataFrame(
            {
                "count": np.concatenate((count, np.zeros(others_expected.size))),
                "expected": np.concatenate((expected, others_expected)),
                "weight": np.concatenate((np.ones(count.size), n_others)),
            }
        )
        .group_by("count", pl.col("expected").round_sig_figs(3))
        .agg(pl.col("weight").sum())
        .sort("count", "expected")
    )
    fit = shrunken_rates(rows["count"], rows["expected"], rows["weight"])
    return replace(fit, count=count, exposure=expected)


def _component(faults: pl.DataFrame) -> pl.DataFrame:
    """Add the number of each fault's component: its family without the place."""
    bare = pl.col("family").str.splitn(":", 2).struct.field("field_0")
    name = pl.when(bare.is_in(["code", "part"])).then("family").otherwise(bare)
    return faults.with_columns((name.rank("dense") - 1).cast(pl.Int64).alias("component"))


def _sentence() -> pl.Expr:
    return pl.format(
        "Began {} in {} watched ({} each 10,000 km); peers ({}) would have had {}.",
        counted("n_onsets", "time", "times"),
        pl.format("{} km", whole(pl.col("exposure_km"))),
        decimal(pl.col("rate_per_10000km"), 2),
        pl.col("peers"),
        decimal(pl.col("expected_onsets"), 2),
    ).alias("sentence")
