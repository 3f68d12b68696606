"""Figures no finer than pages tell them.

An estimate from the whole fleet changes every night in digits that no page shows; a page is made
again only if one that it does show changed.  So all pages are made of figures that are rounded
first: a chance to whole per cent (that a fix did not hold, below 10 %, to tenths: 5 % decides), one
of a cause as ``Cells.cause`` tells it; never as certain, and never up to what decides, one half or
``CLEAR_CAUSE``; a distance to go as ``Cells.to_drive`` tells it.  Exports have them as they were
worked out.
"""

import polars as pl
import polars.selectors as cs

from afterclear.reasons import CLEAR_CAUSE
from afterclear.wording.cells import CAUSE_STEP

_CHANCES = ("p_not_held", "confidence")
_CAUSES = ("p_same_fault", "p_worn", "p_new")
_DECIDING = (1.0, CLEAR_CAUSE, 0.5)
_JUST = 0.01  # what is told as the same, and is below
_TENTHS_BELOW = 0.0995


def as_told(frame: pl.DataFrame) -> pl.DataFrame:
    """Give rows as pages tell them: instants with their offset, estimates no finer than told."""
    told = frame.with_columns(
        *(_chance_told(name) for name in _CHANCES if name in frame.columns),
        *(_cause_told(name) for name in _CAUSES if name in frame.columns),
    )
    if "km_to_go" not in frame.columns:
        return aware(told)
    told = told.with_columns(_to_drive(pl.col("km_to_go")))
    if "needed_km" not in frame.columns or "clean_km" not in frame.columns:
        return aware(told)
    needed = pl.col("clean_km") + pl.col("km_to_go")
    return aware(
        told.with_columns(
            pl.when(pl.col("needed_km").is_not_null()).then(needed).alias("needed_km")
        )
    )


def _chance_told(name: str) -> pl.Expr:
    share = pl.col(name)
    told = (
        pl.when(share.is_between(0, 0.01, closed="none"))
        .then(0.005)
        .when(share.is_between(0.99, 1, closed="none"))
        .then(0.995)
        .when(share.is_between(0.49, 0.5, closed="left"))
        .then(0.49)
    )
    if name == "p_not_held":
        told = told.when(share < _TENTHS_BELOW).then(share.round(3))
    return told.otherwise(share.round(2)).alias(name)


def _cause_told(name: str) -> pl.Expr:
    share = pl.col(name)
    rounded = told = ((share / CAUSE_STEP + 0.5).floor() * CAUSE_STEP).round(2)
    for limit in _DECIDING:
        told = pl.when((share < limit) & (rounded >= limit)).then(limit - _JUST).otherwise(told)
    return told.alias(name)


def _to_drive(km: pl.Expr) -> pl.Expr:
    step = 10.0 ** (pl.max_horizontal(km, pl.lit(10.0)).log10().floor() - 1)
    # what is a round number already, but for its last bits, stays
    return (((km / step) - 1e-9).ceil() * step).alias("km_to_go")


def aware(frame: pl.DataFrame) -> pl.DataFrame:
    """Give the store's instants their offset: UTC."""
    return frame.with_columns(cs.datetime(time_zone=None).dt.replace_time_zone("UTC"))
