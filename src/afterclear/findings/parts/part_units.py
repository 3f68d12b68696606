"""Every part that can be followed: where it was, from when to when, and how it ended.

All work orders together show which places a family has on a platform: if one vehicle of a model had
a part replaced in a place, every vehicle of that model has the place.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.lifetimes.unit_lifetimes import (
    UNKNOWN,
    End,
    Slots,
    UnitLifetimes,
    part_lifetimes,
    replacements,
)
from afterclear.findings.parts.failed_fixes import (
    fixes_that_failed,
    forget_fault_chains,
    put_fault_chains,
)
from afterclear.store.engine.database import Connection, query

# More of one part on a work order is a quantity of something else: metres, litres
MOST_AT_ONCE = 16
_REASONS = {
    "failure": End.FAILURE,
    "preventive": End.PREVENTIVE,
    "accident": End.ACCIDENT,
    "unknown": End.UNKNOWN_REASON,
}
_ENDS = {
    End.IN_SERVICE: "in_service",
    End.FAILURE: "failure",
    End.PREVENTIVE: "preventive",
    End.ACCIDENT: "accident",
    End.UNKNOWN_REASON: "unknown",
    End.LOST_SIGHT: "lost_sight",
    End.NOT_HELD: "not_held",
}
# Above this probability that its fix had failed, an end does not count as the part's own
_RATHER_FAILED = 0.5
_PLATFORM = ["platform", "engine"]
# Parts followed at a time, whole families together: bounds memory
_ROWS_AT_ONCE = 200_000
_FAMILIES = """
    WITH families AS (
        SELECT component, count(*) AS n FROM order_parts
        WHERE is_fitted AND km IS NOT NULL GROUP BY component
    )
    SELECT list(component ORDER BY component) AS components
    FROM (FROM families SELECT component, (sum(n) OVER (ORDER BY component)) // $1 AS block)
    GROUP BY block ORDER BY block"""
_FITTED = """
    SELECT p.row_no, p.vehicle_id, p.repair_id, p.repaired_at, p.km, p.site, p.part_number,
        p.part_brand, p.part_grade, p.quantity, p.part_cost, p.currency, p.removal_reason,
        p.number_on_order, p.component, p.place, p.family_label, t.platform, t.engine
    FROM order_parts p JOIN vehicle_traits t USING (vehicle_id)
    WHERE p.is_fitted AND p.km IS NOT NULL AND list_contains($1, p.component)
    ORDER BY p.row_no"""
NAME = ["component", "part_brand", "part_number", "position"]
# What groups are formed by and counted from. Once the claims are written, the names of vehicles,
# orders and sites are no longer needed, and text that repeats a million times is stored once.
_GROUPED_BY = [
    *NAME, "platform", "place", "is_factory", "ended_by", "km_unwatched", "family_label",
    "part_grade",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Followed:
    """Parts of some families with their lifetimes."""

    fitted: pl.DataFrame  # how many were fitted (n) by component, brand, number, position
    units: pl.DataFrame  # one row for each part that could be followed
    lifetimes: UnitLifetimes  # the rows of ``units``

    def bare(self) -> "Followed":
        """Drop the columns only claims need, and encode repeated text as numbers."""
        words = pl.col(pl.String).cast(pl.Categorical)
        return Followed(
            self.fitted, self.units.select(_GROUPED_BY).with_columns(words), self.lifetimes
        )


def followed_parts(con: Connection, factory_until_km: float) -> Iterator[Followed]:
    """Yield every part of every family that was ever replaced, some families at a time.

    Needs verdicts, ``order_parts`` and ``vehicle_traits``.
    """
    vehicles = query(
        con,
        """SELECT vehicle_id, platform, engine, first_km, last_km FROM vehicle_traits
           WHERE first_km IS NOT NULL ORDER BY vehicle_id""",
    ).with_row_index("vehicle")
    put_fault_chains(con)
    for components in query(con, _FAMILIES, [_ROWS_AT_ONCE])["components"].to_list():
        fitted = query(con, _FITTED, [components])
        if len(fitted):  # otherwise none is on a known vehicle
            yield _ends_told_apart(con, _followed(fitted, vehicles, factory_until_km))
    forget_fault_chains(con)


def _ends_told_apart(con: Connection, followed: Followed) -> Followed:
    """Separate parts that failed from those removed because their fix had failed."""
    chance = fixes_that_failed(con, followed.units)
    lifetimes = followed.lifetimes.not_held(chance, _RATHER_FAILED)
    units = followed.units.with_columns(
        pl.Series("ended_by", lifetimes.end).replace_strict(_ENDS, return_dtype=pl.String),
        pl.Series("p_fix_failed", chance).fill_nan(None),
    )
    return Followed(followed.fitted, units, lifetimes)


def left_out(con: Connection, families: Sequence[Followed]) -> dict[str, int]:
    """Count the parts that could not be followed, by reason."""
    lifetimes = [some.lifetimes for some in families]
    without_km = "SELECT count(*) AS n FROM order_parts WHERE is_fitted AND km IS NULL"
    return {
        "age_unknown": sum(one.n_age_unknown for one in lifetimes),
        "gone_before": sum(one.n_unobserved for one in lifetimes),
        "same_km": sum(one.n_same_km for one in lifetimes),
        "km_unknown": int(query(con, without_km)["n"].item()),
    }


def _followed(fitted: pl.DataFrame, vehicles: pl.DataFrame, factory_until_km: float) -> Followed:
    slots = _slots(fitted, vehicles, factory_until_km)
    rows = _placed(fitted, slots, vehicles).drop("vehicle_id", "platform", "engine", "quantity")
    codes = _Codes.of(rows, slots)
    lifetimes = part_lifetimes(
        replacements(
            rows["vehicle"].to_numpy().astype(np.int64),
            codes.family(rows),
            codes.position(rows),
            rows["km"],
            rows["removal_reason"].replace_strict(_REASONS, return_dtype=pl.Int64).to_numpy(),
        ),
        Slots(
            slots["vehicle"].to_numpy().astype(np.int64), codes.family(slots), codes.position(slots)
        ),
        vehicles["first_km"].to_numpy(),
        vehicles["last_km"].to_numpy(),
        factory_until_km=factory_until_km,
    )
    return Followed(
        rows.with_columns(_position()).group_by(NAME).len("n"),
        _units(lifetimes, rows, vehicles, codes).with_columns(_position()),
        lifetimes,
    )


@dataclass(frozen=True, slots=True)
class _Codes:
    """Numbers of families and places, in the order of their names."""

    components: pl.Series
    places: pl.Series

    @classmethod
    def of(cls, rows: pl.DataFrame, slots: pl.DataFrame) -> "_Codes":
        return cls(
            pl.concat([rows["component"], slots["component"]]).unique().sort(),
            pl.concat([rows["place"], slots["place"]]).drop_nulls().unique().sort(),
        )

    def family(self, rows: pl.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return _coded(rows["component"], self.components)

    def position(self, rows: pl.DataFrame) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return _coded(rows["place"], self.places)


def _coded(names: pl.Series, known: pl.Series) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    codes = names.replace_strict(known, range(len(known)), default=None, return_dtype=pl.Int64)
    return codes.fill_null(UNKNOWN).to_numpy()


def _slots(fitted: pl.DataFrame, vehicles: pl.DataFrame, factory_until_km: float) -> pl.DataFrame:
    """Vehicle, component and place of every slot whose part can be followed.

    A family without named places has as many unnamed ones as were ever fitted at once. A slot in
    which nothing was ever fitted is informative only if its part is known to be the factory's.
    """
    by = [*_PLATFORM, "component"]
    named = fitted.drop_nulls("place").select(*by, "place").unique()
    counts = (
        fitted.group_by(by)
        .agg(pl.when(pl.col("place").is_null()).then(_at_once()).max().alias("at_once"))
        .join(named.group_by(by).len("n_named"), on=by, how="left")
        .with_columns(pl.col("n_named").fill_null(0))
        .with_columns(
            pl.max_horizontal(
                pl.col("at_once").fill_null(0) - pl.col("n_named"),
                pl.when(pl.col("n_named") == 0).then(1).otherwise(0),
            ).alias("n_unnamed")
        )
    )
    unnamed = (
        counts.filter(pl.col("n_unnamed") > 0)
        .with_columns(pl.int_ranges(1, pl.col("n_unnamed").cast(pl.Int64) + 1).alias("number"))
        .explode("number")
        .select(*by, pl.format("#{}", "number").alias("place"))
    )
    touched = fitted.select("vehicle_id", "component").unique().with_columns(touched=True)
    return (
        vehicles.join(pl.concat([named, unnamed]), on=_PLATFORM)
        .join(touched, on=["vehicle_id", "component"], how="left")
        .filter(pl.col("touched").fill_null(value=False) | (pl.col("first_km") <= factory_until_km))
        .sort("vehicle", "component", "place")
    )


def _at_once() -> pl.Expr:
    """Parts fitted by a row without a place: 1 where the quantity does not count parts."""
    whole = (pl.col("quantity") == pl.col("quantity").round(0)) & pl.col("quantity").is_between(
        1, MOST_AT_ONCE
    )
    return pl.when(whole.fill_null(value=False)).then(pl.col("quantity")).otherwise(1.0)


def _placed(fitted: pl.DataFrame, slots: pl.DataFrame, vehicles: pl.DataFrame) -> pl.DataFrame:
    """One row for each part: a row without a place that fills all places is spread over them."""
    places = slots.group_by("vehicle_id", "component").agg(
        pl.len().alias("n_slots"), pl.col("place").alias("places")
    )
    rows = fitted.join(
        vehicles.select("vehicle_id", "vehicle"), on="vehicle_id", maintain_order="left"
    ).join(places, on=["vehicle_id", "component"], how="left", maintain_order="left")
    fills = pl.col("place").is_null() & (_at_once() >= pl.col("n_slots"))
    spread = rows.filter(fills).drop("place").explode("places").rename({"places": "place"})
    some = (
        rows.filter(pl.col("place").is_null() & fills.not_())
        .with_columns(pl.lit(None, pl.String).repeat_by(_at_once().cast(pl.UInt32)).alias("each"))
        .explode("each")
    )
    own = rows.filter(pl.col("place").is_not_null())
    columns = spread.columns
    return pl.concat(
        [own.select(columns), spread, some.select(columns)], how="vertical_relaxed"
    ).sort("row_no", "place")


def _units(
    lifetimes: UnitLifetimes, rows: pl.DataFrame, vehicles: pl.DataFrame, codes: _Codes
) -> pl.DataFrame:
    """Name each part as written when it was fitted, and when it was removed."""
    columns = rows.select(
        "repair_id", "repaired_at", "site", "part_number", "part_brand", "part_grade",
        "number_on_order", "part_cost", "currency",
    )  # fmt: skip
    fitted = _rows_of(columns, lifetimes.fitted_row)
    removed = _rows_of(columns.select("repair_id", "repaired_at", "site"), lifetimes.removed_row)
    owners = vehicles[lifetimes.vehicle]
    n_at_removal = lifetimes.removed_row != UNKNOWN
    return pl.DataFrame(
        {
            "vehicle_id": owners["vehicle_id"],
            "platform": owners.select(pl.concat_str(*_PLATFORM, separator=" "))["platform"],
            "component": codes.components.gather(lifetimes.family),
            "family_label": _labels(rows, codes).gather(lifetimes.family),
            "place": _gathered(codes.places, lifetimes.position),
            "is_factory": lifetimes.fitted_row == UNKNOWN,
            "fitted_at": fitted["repaired_at"],
            "fitted_km": lifetimes.fitted_km,
            "fitted_repair_id": fitted["repair_id"],
            "fitted_site": fitted["site"],
            "part_number": fitted["part_number"],
            "part_brand": fitted["part_brand"],
            "part_grade": fitted["part_grade"],
            "number_on_order": fitted["number_on_order"],
            "part_cost": fitted["part_cost"],
            "currency": fitted["currency"],
            "removed_at": removed["repaired_at"],
            "removed_km": _where(n_at_removal, lifetimes.fitted_km + lifetimes.age),
            "removed_repair_id": removed["repair_id"],
            "removed_site": removed["site"],
            "km_run": lifetimes.age,
            "km_unwatched": lifetimes.entry,
        }
    )


def _position() -> pl.Expr:
    """Return the place where it has a name."""
    return pl.when(pl.col("place").str.starts_with("#").not_()).then("place").alias("position")


def _labels(rows: pl.DataFrame, codes: _Codes) -> pl.Series:
    """Label of each family, the most frequent among its rows."""
    labels = rows.group_by("component").agg(pl.col("family_label").mode().sort().first())
    names = pl.DataFrame({"component": codes.components})
    return names.join(labels, on="component", how="left", maintain_order="left")["family_label"]


def _rows_of(
    rows: pl.DataFrame, number: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> pl.DataFrame:
    """Rows by number; empty rows for ``UNKNOWN``."""
    place = pl.Series(np.where(number == UNKNOWN, -1, number)).replace(-1, None).cast(pl.UInt32)
    return pl.DataFrame([column.gather(place) for column in rows.get_columns()])


def _gathered(names: pl.Series, number: np.ndarray[tuple[int], np.dtype[np.int64]]) -> pl.Series:
    place = pl.Series(number).replace(UNKNOWN, None).cast(pl.UInt32)
    return names.gather(place)


def _where(known: np.ndarray[tuple[int], np.dtype[np.bool_]], values: FloatArray) -> pl.Series:
    return pl.Series(np.where(known, values, np.nan)).fill_nan(None)
