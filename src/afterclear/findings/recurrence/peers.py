"""What is usual among a vehicle's peers: onsets of a code per km, without the vehicle itself.

Peers have the same model, engine and age. If these are too few for a rate, a wider circle counts;
the widest is all vehicles of an engine kind that ever had the code, shrunken towards the rate of
codes in general.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.rates.rates import shrunken_rates

ENOUGH_ONSETS = 10  # among peers; below, the next circle counts (own judgement)
# from the narrowest circle to the widest but one; ``finding_tables.recurrence.PEERS`` names them
CIRCLES = (("platform", "engine", "age_band"), ("platform", "engine"), ("engine",))
_WIDEST, _THIN = len(CIRCLES), len(CIRCLES) + 1
_CODE = ["ecu", "code"]
_TRAITS = ["platform", "engine", "age_band"]
_BINS_PER_DOUBLING = 2
_ROUNDING_KM = 1e-6  # what a sum leaves over where there is nobody else


@dataclass(frozen=True, slots=True)
class PeerRates:
    """Peers of each row asked for, arrays of the same length."""

    rate_per_km: FloatArray
    n_onsets: FloatArray
    exposure_km: FloatArray
    who: NDArray[np.uint8]  # index into ``PEERS``: the repeated words would fill the memory


def at_risk(faults: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Code by code, the units that could have shown it: ecu, code, n_vehicles, unit_km.

    A vehicle is at risk of a code if it has the unit and an engine kind that ever had the code
    there: a petrol engine has no glow plug codes.
    """
    columns = ["unit_no", "ecu", "engine", "unit_km"]
    every = pl.concat([units.select(columns), faults.select(columns)]).unique(
        "unit_no", maintain_order=True
    )
    # a vehicle has one unit of each name
    by_engine = every.group_by("ecu", "engine").agg(
        pl.len().cast(pl.Int64).alias("n_vehicles"), pl.col("unit_km").sum()
    )
    return (
        faults.select(*_CODE, "engine")
        .unique()
        .join(by_engine, on=["ecu", "engine"])
        .group_by(_CODE)
        .agg(pl.col("n_vehicles").sum(), pl.col("unit_km").sum(), pl.col("engine").alias("engines"))
        .sort(_CODE)
    )


def peer_rates(
    asked: pl.DataFrame, faults: pl.DataFrame, units: pl.DataFrame, codes: pl.DataFrame
) -> PeerRates:
    """Rate of the code of each row of ``asked`` among its vehicle's peers.

    ``asked`` has the traits, ecu, code, and what to subtract: n_onsets, exposure_km, unit_km.
    """
    n = len(asked)
    onsets, km = np.zeros(n), np.zeros(n)
    who = np.full(n, _WIDEST, dtype=np.uint8)
    open_ = np.ones(n, dtype=bool)
    for number, keys in enumerate(CIRCLES):
        exposure = units.group_by(*keys, "ecu").agg(pl.col("unit_km").sum().alias("all_km"))
        circle = _circle(asked, faults, list(keys), exposure, [*keys, "ecu"])
        chosen = open_ & (circle[0] >= ENOUGH_ONSETS) & (circle[1] > 0)
        onsets[chosen], km[chosen], who[chosen] = circle[0][chosen], circle[1][chosen], number
        open_ &= ~chosen
    widest = _circle(asked, faults, [], codes.select(*_CODE, all_km="unit_km"), _CODE)
    onsets[open_], km[open_] = widest[0][open_], widest[1][open_]
    thin = open_ & ((onsets < ENOUGH_ONSETS) | (km <= 0))
    who[thin] = _THIN
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(thin, _drawn(onsets, km, faults, codes), onsets / km)
    return PeerRates(rate, onsets, km, who)


def _circle(
    asked: pl.DataFrame,
    faults: pl.DataFrame,
    keys: list[str],
    exposure: pl.DataFrame,
    exposure_by: list[str],
) -> tuple[FloatArray, FloatArray]:
    """Onsets and km at risk of the other vehicles in each row's circle.

    A vehicle that never had the code was at risk wherever its unit was observed; the others over
    the exposure that their own scans show.
    """
    own = ["n_onsets", "exposure_km", "unit_km"]
    had = faults.group_by(*keys, *_CODE).agg(
        pl.col(name).sum().alias(f"all_{name}") for name in own
    )
    rows = (
        asked.join(exposure, on=exposure_by, how="left", maintain_order="left")
        .join(had, on=[*keys, *_CODE], how="left", maintain_order="left")
        .select(
            (pl.col("all_n_onsets").fill_null(0) - pl.col("n_onsets")).alias("onsets"),
            (
                pl.col("all_km").fill_null(0.0)
                - pl.col("all_unit_km").fill_null(0.0)
                + pl.col("all_exposure_km").fill_null(0.0)
                - pl.col("exposure_km")
            ).alias("km"),
        )
    )
    km = np.where(rows["km"].to_numpy() > _ROUNDING_KM, rows["km"].to_numpy(), 0.0)
    return rows["onsets"].to_numpy().astype(np.float64), km


def _drawn(
    onsets: FloatArray, km: FloatArray, faults: pl.DataFrame, codes: pl.DataFrame
) -> FloatArray:
    """Shrink thin rates towards those of all codes, by their weight."""
    own = faults.group_by(_CODE).agg(pl.col("n_onsets", "exposure_km", "unit_km").sum())
    every = codes.join(own, on=_CODE, suffix="_had").sort(_CODE)
    exposure = np.maximum(
        (every["unit_km"] - every["unit_km_had"] + every["exposure_km"]).to_numpy(), 0.0
    )
    count = np.where(exposure > 0, every["n_onsets"].to_numpy(), 0)
    if not exposure.sum() > 0:
        return np.zeros_like(km)
    prior = shrunken_rates(count, exposure)
    if not prior.has_spread:
        return np.full(km.size, prior.pooled_rate)
    return np.asarray((prior.a + onsets) / (prior.b + np.maximum(km, 0.0)))


def vehicles_without(
    faults: pl.DataFrame, units: pl.DataFrame, codes: pl.DataFrame
) -> pl.DataFrame:
    """Vehicles at risk of a code they never had; those observed about equally far share one row.

    Columns as ``peer_rates`` needs them, nothing to subtract, with ``n_vehicles`` and the mean
    ``exposure_km``. Distances within a row differ by less than half. Only the spread between
    vehicles is estimated from them, and it hardly depends on the difference.
    """
    binned = units.filter(pl.col("unit_km") > 1).with_columns(
        (pl.col("unit_km").log(2) * _BINS_PER_DOUBLING).floor().cast(pl.Int32).alias("bin")
    )
    by = [*_TRAITS, "ecu", "bin"]
    every = binned.group_by(by).agg(
        pl.len().cast(pl.Int64).alias("n_vehicles"), pl.col("unit_km").sum().alias("sum_km")
    )
    had = (
        faults.join(binned.select("unit_no", "bin"), on="unit_no", maintain_order="left")
        .group_by(*by, "code")
        .agg(pl.len().cast(pl.Int64).alias("n_had"), pl.col("unit_km").sum().alias("had_km"))
    )
    return (
        codes.select(*_CODE, pl.col("engines").alias("engine"))
        .explode("engine")
        .join(every, on=["ecu", "engine"])
        .join(had, on=[*by, "code"], how="left")
        .with_columns(
            pl.col("n_vehicles") - pl.col("n_had").fill_null(0),
            pl.col("sum_km") - pl.col("had_km").fill_null(0.0),
        )
        .filter(pl.col("n_vehicles") > 0)
        .select(
            *_TRAITS,
            *_CODE,
            pl.col("n_vehicles").cast(pl.Float64),
            pl.lit(0).alias("n_onsets"),
            (pl.col("sum_km") / pl.col("n_vehicles")).alias("exposure_km"),
            (pl.col("sum_km") / pl.col("n_vehicles")).alias("unit_km"),
        )
        .sort(*_TRAITS, *_CODE, "exposure_km")
    )
