"""How far vehicles were at risk of a fault, day by day as it became known.

A unit's reading shows the way back to the reading before, or to a clear in between; nothing is
known from a first reading.  The way counts on the day of the reading.  But a vehicle whose driver
complains comes in at once, and the others' way is only known at their next reading: of faults that
are found that way the way driven since counts at once, too, at the vehicle's km a day so far, until
the reading says better.  A group that has just joined would look worse otherwise.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime, time
from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.arrays.ragged import order_by_group
from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray, ShortIntArray
from afterclear.store.engine.database import Connection, query

BANDS_KM: Final = (60_000.0, 150_000.0)  # young, middle and old vehicles (own judgement)
N_BANDS: Final = len(BANDS_KM) + 1
ANY_UNIT: Final = ""
_KM_A_DAY = 50.0  # until a vehicle has a past (own judgement)
_PARTS = 1024  # of a km
_STRETCH: Final = ("before_at", "before_km", "from_km", "seen_at", "km", "a_day")
_ROWS_AT_ONCE = 1 << 19  # about: those of a large fleet do not fit into memory together
_UNSEEN_DAYS = 90  # after that a vehicle that was not read says nothing more
_READINGS = """
    SELECT l.unit_no, m.seen_at, m.km
    FROM store.looks l JOIN store.scan_moments m USING (scan_no)
    WHERE l.answered AND l.is_stored_memory AND m.km IS NOT NULL AND m.seen_at <= $1
        AND m.vehicle_id BETWEEN $2 AND $3
    ORDER BY l.unit_no, m.seen_at, l.scan_no"""
_WHOLE_READINGS = """
    SELECT m.vehicle_id, m.seen_at, max(m.km) AS km
    FROM store.scan_moments m
    SEMI JOIN (FROM store.unit_patterns WHERE answered AND is_stored_memory) p
        ON p.pattern_no = m.pattern_no
    WHERE m.km IS NOT NULL AND m.seen_at <= $1 AND m.vehicle_id BETWEEN $2 AND $3
    GROUP BY ALL ORDER BY m.vehicle_id, m.seen_at"""
_CLEARS = """
    SELECT u.unit_no, c.cleared_at AS clear_at, coalesce(c.km, c.km_high) AS clear_km
    FROM store.clear_events c JOIN store.known_units u USING (vehicle_id, ecu)
    WHERE coalesce(c.km, c.km_high) IS NOT NULL AND c.cleared_at <= $1
        AND c.vehicle_id BETWEEN $2 AND $3
    ORDER BY u.unit_no, c.cleared_at, clear_km"""
_UNITS = """
    SELECT u.unit_no, u.vehicle_id, u.ecu FROM store.known_units u
    WHERE u.vehicle_id BETWEEN $1 AND $2 ORDER BY u.unit_no"""
_SIZES = """
    SELECT vehicle_id, u.n * s.n AS n
    FROM (SELECT vehicle_id, count(*) AS n FROM store.known_units GROUP BY ALL) u
    JOIN (SELECT vehicle_id, count(*) AS n FROM store.scan_moments GROUP BY ALL) s
        USING (vehicle_id)"""
_FIRST = """
    SELECT min(m.seen_at) AS at
    FROM store.scan_moments m
    SEMI JOIN (FROM store.unit_patterns WHERE answered AND is_stored_memory) p
        ON p.pattern_no = m.pattern_no
    WHERE m.km IS NOT NULL AND m.seen_at <= $1"""


@dataclass(frozen=True, slots=True)
class KmAtRisk:
    """Rows of distance by vehicle, shape (n,) each, sorted by vehicle, then kind.

    At the end of ``day`` the distance known grows by ``jump``, and from then on by ``slope`` a day.
    """

    vehicle: ShortIntArray
    kind: ShortIntArray  # of unit: its name and the kind of engine
    day: ShortIntArray
    began: ShortIntArray  # day on which the stretch began
    band: ShortIntArray
    jump: FloatArray
    slope: FloatArray

    def of(self, rows: BoolArray | IntArray) -> "KmAtRisk":
        """Give some of the rows."""
        return KmAtRisk(*(getattr(self, each.name)[rows] for each in fields(self)))

    def known_since(self, days: IntArray | int) -> "KmAtRisk":
        """Let no km count before a day, each row's own or one for all, and all of it then."""
        early = np.maximum(days - self.day, 0)
        return replace(self, day=self.day + early, jump=self.jump + self.slope * early)

    def from_day(self, zero: int) -> "KmAtRisk":
        """Count days from another one; what was before is known on it."""
        return replace(self, day=self.day - zero, began=self.began - zero).known_since(0)


def one_of(parts: Sequence[KmAtRisk]) -> KmAtRisk:
    """Put rows one after another, as they come."""
    return KmAtRisk(
        *(np.concatenate([getattr(each, of.name) for each in parts]) for of in fields(KmAtRisk))
    )


def first_reading(con: Connection, until: datetime) -> datetime:
    """Give the day of the first reading that tells a distance."""
    first = query(con, _FIRST, [until])["at"][0] or until
    return datetime.combine(first.date(), time())


def km_at_risk(
    con: Connection,
    vehicles: pl.DataFrame,
    kinds: pl.DataFrame,
    shares: pl.DataFrame,
    days: tuple[datetime, datetime],
) -> Iterator[KmAtRisk]:
    """Read how far units were at risk, some vehicles at once.

    ``vehicles``: vehicle_id, vehicle, engine, in the order of vehicle_id; ``kinds``: ecu, engine,
    kind. ``shares``: of faults that bring their vehicle in, as of the days on which that was known.
    ``days``: the one that counts as 0, and the last.
    """
    zero, until = days
    first = first_reading(con, until)  # days before ``zero`` are counted as whole ones, too
    for own in _some_at_once(con, vehicles):
        rows = _stretches_at_risk(con, own, kinds, until)
        rows = rows.with_columns(a_day_at_once(rows, shares))
        if len(rows):
            yield by_day(rows, first, (until - first).days).from_day((zero - first).days)


def _some_at_once(con: Connection, vehicles: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Give vehicles one after another, as many as have readings for one part."""
    sized = vehicles.join(query(con, _SIZES), on="vehicle_id", how="left", maintain_order="left")
    part = (sized["n"].fill_null(0).cum_sum() // _ROWS_AT_ONCE).rle().struct["len"]
    for n, end in zip(part, part.cum_sum(), strict=True):
        yield vehicles.slice(end - n, n)


def _stretches_at_risk(
    con: Connection, vehicles: pl.DataFrame, kinds: pl.DataFrame, until: datetime
) -> pl.DataFrame:
    """Read the stretches of units, and of whole vehicles."""
    ends = [vehicles["vehicle_id"][0], vehicles["vehicle_id"][-1]]
    units = (
        query(con, _UNITS, ends).join(vehicles, on="vehicle_id").join(kinds, on=["ecu", "engine"])
    )
    units = units.select("unit_no", "vehicle", "kind")
    readings, clears = (query(con, sql, [until, *ends]) for sql in (_READINGS, _CLEARS))
    by_unit = stretches(joined_at(readings, "unit_no"), "unit_no", clears)
    by_unit = by_unit.join(units, on="unit_no")
    whole = kinds.filter(pl.col("ecu") == ANY_UNIT).join(vehicles, on="engine")
    own = query(con, _WHOLE_READINGS, [until, *ends]).join(
        whole.select("vehicle_id", "vehicle", "kind"), on="vehicle_id", maintain_order="left"
    )
    by_vehicle = stretches(joined_at(own.drop("vehicle_id"), "vehicle"), "vehicle", None)
    columns = ["vehicle", "kind", *_STRETCH]
    both = pl.concat([by_unit.select(columns), by_vehicle.select(columns)])
    return both.with_columns(band=band_of(pl.col("before_km")))


def a_day_at_once(rows: pl.DataFrame, shares: pl.DataFrame) -> pl.Series:
    """Km a day that count at once, by the share known when each stretch began."""
    known = np.searchsorted(shares["known_at"].to_numpy(), rows["before_at"].to_numpy(), "right")
    # until a fault was found, each may bring its vehicle in
    share = np.concatenate([[1.0], shares["share"].to_numpy()])[known]
    return pl.Series("a_day", rows["a_day"].to_numpy() * share)


def unplanned(began: pl.DataFrame) -> pl.DataFrame:
    """Give the share of faults that brought their vehicle in, by each day a fault was found.

    Rounded up to quarters, so that single faults move it seldom.
    """
    found = began.sort("seen_at").select(
        known_at="seen_at",
        share=(4 * (~pl.col("is_planned")).cum_sum() / pl.int_range(1, pl.len() + 1)).ceil() / 4,
    )
    return found.unique("known_at", keep="last", maintain_order=True)


def day_of(at: pl.Expr, zero: datetime) -> pl.Expr:
    """Give the number of a day from ``zero``."""
    return (at - zero).dt.total_days().cast(pl.Int64)


def band_of(km: pl.Expr) -> pl.Expr:
    """Give the band of a distance; the first if it is not known."""
    found = pl.lit(0, pl.Int64)
    for limit in BANDS_KM:
        found += (km >= limit).fill_null(value=False).cast(pl.Int64)
    return found


def joined_at(readings: pl.DataFrame, by: str) -> pl.DataFrame:
    """Say when and at how many km each one's past begins: with its first reading."""
    first = {f"first_{name}": pl.col(name).first().over(by) for name in ("seen_at", "km")}
    return readings.with_columns(**first)


def stretches(readings: pl.DataFrame, by: str, clears: pl.DataFrame | None) -> pl.DataFrame:
    """From each reading to the next; the last is open: ``seen_at`` empty.

    ``readings``: sorted, with the first of the past (``joined_at``), from which km a day come.
    """
    same = pl.col(by) == pl.col(by).shift(-1)
    past_days = (pl.col("seen_at") - pl.col("first_seen_at")).dt.total_seconds() / 86400
    past = pl.when(past_days >= 1).then((pl.col("km") - pl.col("first_km")) / past_days)
    rows = readings.with_columns(
        a_day=past.fill_null(_KM_A_DAY).clip(0, 1000),
        before_at=pl.col("seen_at"),
        before_km=pl.col("km"),
        seen_at=pl.when(same).then(pl.col("seen_at").shift(-1)),
        km=pl.when(same).then(pl.col("km").shift(-1)),
    )
    if clears is not None and len(clears):
        # both are sorted within a unit, which is all that the search needs
        closed = rows.filter(pl.col("seen_at").is_not_null()).join_asof(
            clears, left_on="seen_at", right_on="clear_at", by=by, check_sortedness=False
        )
        hidden = pl.when(pl.col("clear_at") >= pl.col("before_at")).then(pl.col("clear_km"))
        rows = pl.concat(
            [
                closed.with_columns(from_km=pl.max_horizontal("before_km", hidden)).drop(
                    "clear_at", "clear_km"
                ),
                rows.filter(pl.col("seen_at").is_null()).with_columns(from_km=pl.col("before_km")),
            ]
        )
    else:
        rows = rows.with_columns(from_km=pl.col("before_km"))
    return rows


def by_day(rows: pl.DataFrame, zero: datetime, last_day: int) -> KmAtRisk:
    """Give the days on which the km of stretches become known.

    ``rows``: stretches with ``vehicle``, ``kind``, ``band`` and the km a day that count at once.
    """
    # millions of rows: days and places in 32 bits
    days = rows.select(
        day_of(pl.col("before_at"), zero).cast(pl.Int32),
        day_of(pl.col("seen_at"), zero).fill_null(last_day + _UNSEEN_DAYS).cast(pl.Int32),
    )
    began, end = days["before_at"].to_numpy(), days["seen_at"].to_numpy()
    is_open = rows["seen_at"].is_null().to_numpy()
    km = rows.select((pl.col("km") - pl.col("from_km")).clip(0).fill_null(0.0))["km"].to_numpy()
    a_day = rows["a_day"].to_numpy()
    band = rows["band"].to_numpy().astype(np.int32)
    until = np.minimum(end, began + _UNSEEN_DAYS)
    same = np.arange(km.size, dtype=np.int32)
    closed, waits = same[~is_open], same[a_day > 0]
    # where the next reading comes in time, its row also ends what counted until then
    ends_there = (a_day > 0) & (until < last_day) & ~is_open & (until == end)
    ends = waits[(until < last_day)[waits] & ~ends_there[waits]]
    which = np.concatenate([closed, waits, ends])
    day = np.concatenate([end[closed], began[waits], until[ends]])
    jump = np.zeros(which.size)
    jump[: closed.size] = km[closed] - a_day[closed] * (until - began)[closed]
    slope = np.concatenate([np.where(ends_there, -a_day, 0.0)[closed], a_day[waits], -a_day[ends]])
    # sums of such parts are exact: a night's analysis gives the bits of a whole one
    jump, slope = (np.round(values * _PARTS) / _PARTS for values in (jump, slope))
    vehicle = rows["vehicle"].to_numpy()[which]
    kind = rows["kind"].to_numpy()[which]
    order = order_by_group(vehicle, order_by_group(kind, np.arange(kind.size)))
    which = which[order]
    return KmAtRisk(
        vehicle[order].astype(np.int32),
        kind[order].astype(np.int32),
        day[order],
        began[which],
        band[which],
        jump[order],
        slope[order],
    )
