"""Did it help: each change of ``interventions.toml``, before and after, against the others.

What is touched is compared with what is not, over the same days: fixes of the same components at
other sites, on other models, with other parts; or the other vehicles' km.  Whoever begins something
because the months before were bad sees part of that mend itself; no comparison takes it out.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime, time, timedelta
from importlib.resources import files
from math import ceil, isfinite
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import BoolArray
from afterclear.estimators.rates.before_after import (
    NOTHING,
    BeforeAfter,
    Compared,
    faults_before_after,
    fixes_before_after,
)
from afterclear.finding_tables.declaration import columns_of
from afterclear.finding_tables.interventions import SURE, Intervention, Told
from afterclear.findings.common.numbering import numbered
from afterclear.findings.common.own_episodes import name_own_episodes
from afterclear.findings.common.tables import forget, keep, keep_all
from afterclear.findings.interventions.driven import driven_km
from afterclear.findings.interventions.read_interventions import Change
from afterclear.findings.parts.order_parts import bare_number
from afterclear.findings.verdicts import RATHER_FAILED, Judged
from afterclear.store.engine.database import Connection, query
from afterclear.store.queries.results import naive

_SQL = files("afterclear.findings") / "sql" / "interventions.sql"
_PUT = ("changed_fixes", "changed_onsets")
_BEFORE_DAYS: Final = 365
_LEAST_VEHICLES: Final = 5  # fewer on one of the four sides tell nothing (own judgement)
_P_BELOW: Final = 0.05
_PER_10000: Final = 10_000.0
_NUMBERS = """
    SELECT part_number AS number FROM order_parts WHERE part_number IS NOT NULL
    UNION SELECT number_on_order FROM order_parts WHERE number_on_order IS NOT NULL
    ORDER BY ALL"""
_ORDERS = """
    SELECT DISTINCT vehicle_id, repair_id, true AS fits FROM order_parts
    WHERE is_fitted AND (NOT $1 OR list_contains($2::VARCHAR[], part_number)
            OR list_contains($2::VARCHAR[], number_on_order))
        AND (len($3::VARCHAR[]) = 0 OR list_contains($3, lower(part_brand)))
    ORDER BY ALL"""
_TYPES: Final[dict[type, type[pl.DataType] | pl.DataType]] = {
    str: pl.String, int: pl.Int32, float: pl.Float64, bool: pl.Boolean, datetime: pl.Datetime("us")
}  # fmt: skip
_SCHEMA: Final = {each.name: _TYPES[each.kind] for each in columns_of(Intervention)}
_VEHICLES = "SELECT vehicle_id, make, model, model_year, site FROM store.vehicles"


@dataclass(frozen=True, slots=True)
class _Span:
    """When something counts as before and as after."""

    first: datetime
    begins: datetime
    ends: datetime  # now, or when the change ends
    until: datetime | None  # when the change ends; None: it goes on


@dataclass(frozen=True, slots=True)
class _Side:
    """Changed before, changed after, others before, others after."""

    rows: pl.DataFrame
    n: int
    km: float


def find_interventions(
    con: Connection,
    changes: Iterable[Change],
    judged: Judged | None,
    as_of: datetime,
    zone: str,
) -> None:
    """Replace ``interventions`` and ``intervention_fixes``; days are those of ``zone`` (IANA).

    Needs verdicts and roles of this analysis, ``order_parts``, the settings of the histories.
    """
    changes = tuple(changes)
    if not changes or judged is None:
        keep(con, "interventions", None)
        keep(con, "intervention_fixes", None)
        return
    con.execute("SET VARIABLE rather_failed = ?", [RATHER_FAILED])
    name_own_episodes(con)
    con.script(_SQL.read_text(encoding="utf-8"))
    fixes = query(con, "FROM changed_fixes ORDER BY attempt_id").join(
        judged.evidence(), on="attempt_id", how="inner", maintain_order="left"
    )
    rows, touched = [], []
    for change in changes:
        span = _span(change, naive(as_of), zone)
        if change.measures == "failing_fixes":
            compared = _fixes(con, change, span, fixes)
            rows.append(_fixes_row(change, span, compared))
            touched.append(compared.filter("is_touched").with_columns(name=pl.lit(change.name)))
        else:
            rows.append(_faults_row(change, span, _vehicles(con, change, span)))
    keep(con, "interventions", pl.DataFrame(map(asdict, rows), schema=_SCHEMA))
    keep_all(con, "intervention_fixes", touched)
    forget(con, _PUT)


def _span(change: Change, as_of: datetime, zone: str) -> _Span:
    begins = _begin_of(change.first_day, zone)
    until = None
    if change.last_day is not None:
        until = _begin_of(change.last_day + timedelta(days=1), zone)
    ends = as_of if until is None else min(as_of, until)
    days = change.before_days or max(_BEFORE_DAYS, (ends - begins) / timedelta(days=1))
    return _Span(begins - timedelta(days=days), begins, ends, until)


def _begin_of(day: date, zone: str) -> datetime:
    """Give the instant a day begins: an order without a time of day is kept at that instant."""
    return naive(datetime.combine(day, time(), ZoneInfo(zone)))


def _fixes(con: Connection, change: Change, span: _Span, fixes: pl.DataFrame) -> pl.DataFrame:
    """Give the fixes before and after, and whether each is touched."""
    at = pl.col("attempted_at")
    rows = fixes.filter(at.is_between(span.first, span.ends, closed="left"), _meant(change))
    is_touched = _fits(rows, change)
    if change.part_numbers or change.brands:
        orders = _orders(con, change)
        on = ["vehicle_id", "repair_id"]
        own = rows.select(on).join(orders, on=on, how="left", maintain_order="left")
        is_touched &= own["fits"].fill_null(value=False)
    return rows.with_columns(is_touched.alias("is_touched"), is_after=at >= span.begins)


def _orders(con: Connection, change: Change) -> pl.DataFrame:
    """Give the orders that fitted a part that is named, however its number is spelled."""
    bare = {bare_number(number) for number in change.part_numbers}
    told = query(con, _NUMBERS)["number"] if bare else ()
    spellings = [number for number in told if bare_number(number) in bare]
    brands = [brand.lower() for brand in change.brands]
    return query(con, _ORDERS, [bool(bare), spellings, brands])


def _meant(change: Change) -> pl.Expr:
    """Choose the components a change is about."""
    if not change.components:
        return pl.lit(value=True)
    return pl.col("component").is_in(change.components)


def _fits(rows: pl.DataFrame, change: Change) -> pl.Series:
    """Tell which rows fit all that a change says of site and vehicle; capitals do not count."""
    fits = pl.repeat(value=True, n=pl.len())
    for column, names in (
        ("site", change.sites),
        ("make", change.makes),
        ("model", change.models),
        ("vehicle_id", change.vehicles),
    ):
        if names:
            told = pl.col(column).str.strip_chars().str.to_lowercase()
            fits &= told.is_in([name.lower() for name in names]).fill_null(value=False)
    if change.first_year is not None:
        fits &= (pl.col("model_year") >= change.first_year).fill_null(value=False)
    if change.last_year is not None:
        fits &= (pl.col("model_year") <= change.last_year).fill_null(value=False)
    return rows.select(fits.alias("fits")).to_series()


def _vehicles(con: Connection, change: Change, span: _Span) -> pl.DataFrame:
    """Give each vehicle before and after: new faults, km, and whether it is touched."""
    at = pl.col("began_at")
    onsets = query(con, "FROM changed_onsets").filter(
        at.is_between(span.first, span.ends, closed="left"), _meant(change)
    )
    counts = onsets.group_by("vehicle_id", is_after=at >= span.begins).agg(n=pl.len())
    ends = max(span.begins, span.ends)
    rows = (
        driven_km(con, (span.first, span.begins, ends))
        .with_columns(is_after=pl.col("stretch") == 1)
        .filter(pl.col("km") > 0)
        .join(counts, on=["vehicle_id", "is_after"], how="left")
        .join(query(con, _VEHICLES), on="vehicle_id", how="left")
        .with_columns(pl.col("n").fill_null(0))
        .sort("vehicle_id", "is_after")
    )
    return rows.with_columns(_fits(rows, change).alias("is_touched"))


def _fixes_row(change: Change, span: _Span, rows: pl.DataFrame) -> Intervention:
    sides = _sides(rows, n=pl.len(), km=pl.lit(0.0))
    found = NOTHING
    if _are_enough(sides):
        found = fixes_before_after(
            _compared(rows, ["is_touched", "site"]),
            rows["odds_failed"].to_numpy(),
            rows["share_failed"].to_numpy(),
        )
    row = _row(change, span, sides, found)
    ends = sorted(abs(each) * 100 for each in (found.difference_low, found.difference_high))
    apart = (abs(found.difference) * 100, *ends) if row.told in SURE else (None, None, None)
    return replace(
        row,
        share_before=_known(found.before),
        share_after=_known(found.after),
        share_expected=_known(found.expected),
        others_share_before=_known(found.others_before),
        others_share_after=_known(found.others_after),
        apart=apart[0],
        apart_low=apart[1],
        apart_high=apart[2],
        n_more=ceil(found.needed) if row.told == "too_few" and isfinite(found.needed) else None,
    )


def _faults_row(change: Change, span: _Span, rows: pl.DataFrame) -> Intervention:
    sides = _sides(rows, n=pl.col("n").sum(), km=pl.col("km").sum())
    found = NOTHING
    if _are_enough(sides):
        found = faults_before_after(
            _compared(rows, ["is_touched", "make", "model"]),
            rows["n"].to_numpy().astype(np.float64),
            rows["km"].to_numpy(),
        )
    row = _row(change, span, sides, found)
    return replace(
        row,
        km_before=sides[0].km,
        km_after=sides[1].km,
        others_km_before=sides[2].km,
        others_km_after=sides[3].km,
        rate_before=_known(found.before * _PER_10000),
        rate_after=_known(found.after * _PER_10000),
        rate_expected=_known(found.expected * _PER_10000),
        others_rate_before=_known(found.others_before * _PER_10000),
        others_rate_after=_known(found.others_after * _PER_10000),
        km_more=_known(found.needed) if row.told == "too_few" else None,
    )


def _sides(rows: pl.DataFrame, n: pl.Expr, km: pl.Expr) -> tuple[_Side, ...]:
    sides = []
    for is_touched in (True, False):
        for is_after in (False, True):
            own = rows.filter(pl.col("is_touched") == is_touched, pl.col("is_after") == is_after)
            found = own.select(n=n, km=km.cast(pl.Float64)).row(0) if len(own) else (0, 0.0)
            sides.append(_Side(own, *found))
    return tuple(sides)


def _are_enough(sides: tuple[_Side, ...]) -> bool:
    return all(side.rows["vehicle_id"].n_unique() >= _LEAST_VEHICLES for side in sides)


def _compared(rows: pl.DataFrame, units: list[str]) -> Compared:
    return Compared(
        numbered(rows, units),
        _flags(rows, "is_touched"),
        _flags(rows, "is_after"),
        numbered(rows, ["vehicle_id"]),
    )


def _flags(rows: pl.DataFrame, column: str) -> BoolArray:
    return np.asarray(rows[column].to_numpy(), dtype=np.bool_)


def _row(change: Change, span: _Span, sides: tuple[_Side, ...], found: BeforeAfter) -> Intervention:
    """Give the row without what depends on its measure."""
    told = _told(span, sides, found)
    touched, others = (
        pl.concat([sides[at].rows["vehicle_id"], sides[at + 1].rows["vehicle_id"]]).n_unique()
        for at in (0, 2)
    )
    return Intervention(
        name=change.name,
        measures=change.measures,
        begins_at=span.begins,
        ends_at=span.until,
        n_before=sides[0].n,
        n_after=sides[1].n,
        others_n_before=sides[2].n,
        others_n_after=sides[3].n,
        n_vehicles=touched,
        others_n_vehicles=others,
        ratio=_known(found.ratio),
        ratio_low=_known(found.low),
        ratio_high=_known(found.high),
        always_low=_known(found.low_always),
        always_high=_known(found.high_always),
        p_value=_known(found.p_value),
        is_lasting=found.low_always > 1 or found.high_always < 1,
        told=told,
    )


def _told(span: _Span, sides: tuple[_Side, ...], found: BeforeAfter) -> Told:
    if span.ends <= span.begins:
        return "too_early"
    if not len(sides[0].rows) and not len(sides[1].rows):
        return "nobody_touched"
    if found.p_value < _P_BELOW:
        return "helped" if found.ratio < 1 else "harmed"
    return "no_difference" if found.is_precise else "too_few"


def _known(value: float) -> float | None:
    return value if isfinite(value) else None
