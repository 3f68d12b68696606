"""Codes that begin again on a vehicle more often than on its peers.

A code's rate on a vehicle comes from how far its control unit was watched without the code and
from the stretches in which the code began (``estimators/rates/rates.py``); what peers did is the
yardstick, the vehicle itself left out, and a vehicle's own rate is drawn towards it by what it is
worth.  A code that only ever followed from another is counted and not flagged: the other is the
fault that recurs.  Where fixes fail the same fault returns after them: such onsets come in chains,
and how many of the others' are returns says how far counts stray by chance alone.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.chained_onsets import chained_excess_p, variance_factor
from afterclear.estimators.rates.rates import (
    ShrunkenRates,
    onset_rates,
    q_values_by_group,
    shrunken_rates,
)
from afterclear.finding_tables.recurrence import PEERS
from afterclear.findings.common.tables import keep
from afterclear.findings.common.unit_exposure import Watching, watching
from afterclear.findings.recurrence.peers import (
    PeerRates,
    at_risk,
    peer_rates,
    vehicles_without,
)
from afterclear.store.engine.database import Connection, query

TIMES_PEERS = 1.5  # a rate this many times the peers' is worth a flag ...
SURE = 0.9  # ... if it is this probable,
OTHERS_WORTH = 4.0  # weight in onsets of the fleet's share of returns, beside a family's own
MOST_RETURNS = 0.95  # peers cannot show a share of returns above this
ENOUGH_ONSETS = 2  # not on one onset alone,
Q_BELOW = 0.1  # and if few flags in a family of codes are wrong (own judgement)
# A code found at the first reading has no known onset; one still there in the visit of its clear is
# not a new onset.
_DIRTY_PAIRS = """
    SELECT u.unit_no, e.code, e.onset_high_km - e.onset_low_km AS km,
        coalesce(r.p_return, 0) AS p_return
    FROM store.episodes e
    JOIN store.known_units u USING (vehicle_id, ecu)
    LEFT JOIN (
        SELECT a.vehicle_id, a.ecu, a.code, a.returned_at,
            max(coalesce(v.p_same_fault, 1)) AS p_return
        FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
        WHERE a.returned GROUP BY ALL
    ) r ON r.vehicle_id = e.vehicle_id AND r.ecu = e.ecu AND r.code = e.code
        AND r.returned_at = e.onset_high_at
    WHERE e.onset_high_km > e.onset_low_km
        AND NOT (e.onset_high_km - e.onset_low_km <= getvariable('visit_km')
            AND e.onset_high_at <= e.onset_low_at + getvariable('visit'))"""

# Codes that followed from another one in every scan that showed them (``roles``)
_ONLY_ECHOES = """
    SELECT u.unit_no, r.code
    FROM store.roles r JOIN store.known_units u USING (vehicle_id, ecu)
    GROUP BY ALL HAVING bool_and(r.role = 'consequential' AND r.primary_code IS NOT NULL)"""


@dataclass(frozen=True, slots=True)
class _Judged:
    """The figures of each row of faults, arrays of the same length."""

    expected: FloatArray
    p_value: FloatArray
    q_value: FloatArray
    p_excess: FloatArray
    posterior: ShrunkenRates


def find_recurring(con: Connection, catalogue: Catalogue) -> int:
    """Replace ``recurring``; return how many rows are flagged.

    Needs ``vehicle_traits``, the roles and the settings of the histories.
    """
    exposure = watch_units(con, catalogue)
    units = _units(con)
    faults = _faults(con, exposure, units)
    found = None
    if len(faults):
        read = exposure.units.rename({"km": "unit_km"})
        found = _finding_rows(faults, units.join(read, on="unit_no", maintain_order="left"))
    keep(con, "recurring", found)
    return 0 if found is None else int(found["flagged"].sum())


def watch_units(con: Connection, catalogue: Catalogue) -> Watching:
    """Give how far every unit was watched; reads only those whose history is new."""
    return watching(con, lambda faults: _with_rules(faults, catalogue))


def _with_rules(faults: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Add the monitor and needed distance of each row's code."""
    met = faults.select("code", "family").unique().sort("code", "family")
    rules = met.with_columns(
        pl.Series("monitor", [catalogue.monitor(code) for code in met["code"]], dtype=pl.String),
        pl.Series(
            "min_clean_km",
            [catalogue.min_distance_after_clear_km(family) for family in met["family"]],
            dtype=pl.Float64,
        ),
    )
    return faults.join(rules, on=["code", "family"], maintain_order="left")


def _units(con: Connection) -> pl.DataFrame:
    """Every known unit, with its vehicle's traits, in the order of vehicles and units.

    Names become numbers (an ``Enum`` sorts as its names do): a large fleet repeats them a million
    times, and everything that follows is grouped by them.
    """
    names = ["ecu", "platform", "engine", "age_band"]
    units = query(
        con,
        """SELECT u.unit_no, u.vehicle_id, u.ecu, t.platform, t.engine, t.age_band
           FROM store.known_units u JOIN vehicle_traits t USING (vehicle_id)
           ORDER BY u.vehicle_id, u.ecu""",
    )
    return units.with_columns(
        pl.col(name).cast(pl.Enum(units[name].unique().sort())) for name in names
    )


def _faults(con: Connection, exposure: Watching, units: pl.DataFrame) -> pl.DataFrame:
    """Every code a unit ever had, with its onsets and their km at risk."""
    codes = pl.Enum(exposure.faults["code"].unique().sort())
    faults = (
        units.with_row_index("place")
        .join(exposure.faults, on="unit_no")
        .join(exposure.units.rename({"km": "unit_km"}), on="unit_no", how="left")
        .with_columns(pl.col("code").cast(codes), pl.col("unit_km").fill_null(0.0))
        .sort("place", "code")
        .drop("place")
        .with_row_index("fault")
    )
    echoes = query(con, _ONLY_ECHOES).with_columns(
        pl.col("code").cast(codes, strict=False), is_echo=True
    )
    faults = faults.join(echoes, on=["unit_no", "code"], how="left", maintain_order="left")
    pairs = (
        query(con, _DIRTY_PAIRS)
        .with_columns(pl.col("code").cast(codes))
        .join(faults.select("unit_no", "code", "fault"), on=["unit_no", "code"])
        .sort("fault", "km", "p_return")  # equal distances: a sum is added up in one order
    )
    fault = pairs["fault"].to_numpy().astype(np.int64)
    rates = onset_rates(fault, pairs["km"], faults["clean_km"].to_numpy())
    return faults.with_columns(
        pl.Series("n_onsets", rates.n_onsets, dtype=pl.Int32),
        pl.Series("exposure_km", rates.exposure_km).fill_nan(0.0),
        pl.Series("rate", rates.rate_per_km).fill_nan(None).replace(float("inf"), None),
        pl.col("is_echo").fill_null(value=False),
        pl.Series("n_returns", np.bincount(fault, pairs["p_return"], len(faults))),
    )


def _finding_rows(faults: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    codes = at_risk(faults, units)
    peers = peer_rates(faults, faults, units, codes)
    judged = _judge(faults, units, codes, peers)
    flagged = (
        (judged.p_excess > SURE)
        & (faults["n_onsets"].to_numpy() >= ENOUGH_ONSETS)
        & (np.nan_to_num(judged.q_value, nan=1.0) < Q_BELOW)
        & ~faults["is_echo"].to_numpy()
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
        "peers": pl.Series(list(PEERS), dtype=pl.Enum(list(PEERS))).gather(peers.who),
        "peer_onsets": peers.n_onsets.astype(np.int32),
        "peer_km": peers.exposure_km,
    }
    return (
        faults.drop("rate", "n_returns", "is_echo")
        .with_columns(pl.Series(name, values) for name, values in columns.items())
        .with_columns(pl.col("p_value", "q_value").fill_nan(None))
        .filter(pl.col("n_episodes") > 1)
    )


def _judge(
    faults: pl.DataFrame, units: pl.DataFrame, codes: pl.DataFrame, peers: PeerRates
) -> _Judged:
    """Compare each fault's onsets with what its peers would have over the same distance."""
    expected = peers.rate_per_km * faults["exposure_km"].to_numpy()
    count = faults["n_onsets"].to_numpy().astype(np.float64)
    count = np.where(expected > 0, count, 0.0)
    component = _component(faults)
    returns = _return_share(component)
    others = vehicles_without(faults, units, codes)
    others_expected = (
        peer_rates(others, faults, units, codes).rate_per_km * others["exposure_km"].to_numpy()
    )
    posterior = _posterior(
        count, expected, others_expected, others["n_vehicles"].to_numpy().astype(np.float64)
    )
    # an onset in a chain of returns counts for less than a single one
    spread = variance_factor(returns)
    posterior = replace(posterior, count=count / spread, exposure=expected / spread)
    p_value = np.where(expected > 0, chained_excess_p(count, expected, returns), np.nan)
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


def _return_share(faults: pl.DataFrame) -> FloatArray:
    """Share of onsets that are returns of the same fault, from the family's other vehicles.

    The share of the whole fleet's other vehicles counts as some onsets more: a family may have few.
    """

    def others(name: str, *by: str) -> pl.Expr:
        every = pl.col(name).sum()
        return (every.over(*by) if by else every) - every.over(*by, "unit_no")

    family_n, fleet_n = others("n_onsets", "component"), others("n_onsets")
    usual = pl.when(fleet_n > 0).then(others("n_returns") / fleet_n).otherwise(0.0)
    share = (others("n_returns", "component") + OTHERS_WORTH * usual) / (family_n + OTHERS_WORTH)
    return faults.select(share=share.clip(0.0, MOST_RETURNS))["share"].to_numpy()


def _posterior(
    count: FloatArray, expected: FloatArray, others_expected: FloatArray, n_others: FloatArray
) -> ShrunkenRates:
    """Each fault's rate over its peers', with the spread fitted to all vehicles at risk.

    The spread is fitted to expected onsets rounded to three digits, equal rows together: the fourth
    digit does not matter, and a large fleet has half a million rows.
    """
    if not expected.sum() + others_expected.sum() > 0:  # nothing was observed: all are 1
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
