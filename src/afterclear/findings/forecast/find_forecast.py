"""What is coming: failures to expect, the parts for them, and how past forecasts came out.

A failure is a new fault, or a come-back, of one component at one place of a vehicle, on the day a
reading first shows it; codes that only follow from another fault do not count. Past quarters are
forecast by the same rules from what was read before them; only which codes follow from which is
told as of today.
"""

from datetime import datetime, timedelta
from importlib.resources import files
from typing import Final

import numpy as np
import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.estimators.forecast.ahead import Ahead
from afterclear.estimators.forecast.record import Forecasts, Told, forecasts, moments
from afterclear.estimators.forecast.spread import at_least_one, interval
from afterclear.finding_tables.forecast import is_trusted
from afterclear.findings.common.component_names import component_labels
from afterclear.findings.common.own_episodes import name_own_episodes
from afterclear.findings.common.tables import forget, keep
from afterclear.findings.forecast.needed_parts import needed_parts
from afterclear.findings.forecast.seen_past import Seen, day_of, seen_past
from afterclear.findings.parts.part_units import MOST_AT_ONCE
from afterclear.store.engine.database import Connection, query

HORIZONS: Final = (30, 90, 365)
_QUARTERS: Final = 9  # whose begins are asked for: eight past quarters, and the present one
_ENOUGH_PRICED: Final = 3  # orders for a usual cost (own judgement)
_HARDLY: Final = 0.005  # failures expected in a year: such rows tell nothing
_SQL: Final = files("afterclear.findings") / "sql" / "forecast.sql"
_TABLES: Final = ("forecast", "forecast_parts", "forecast_record")
_READ_ONCE: Final = ("coming_shown", "coming_faults", "coming_orders")
_READ_LAST: Final = ("coming_costs", "coming_fitted", "coming_numbers")


def find_forecast(con: Connection, catalogue: Catalogue, as_of: datetime) -> None:
    """Replace ``forecast``, ``forecast_parts`` and ``forecast_record``.

    Needs the roles of this analysis, ``order_parts``, the settings of the histories.
    """
    until = as_of.replace(tzinfo=None)
    con.execute("SET VARIABLE most_at_once = ?", [MOST_AT_ONCE])
    name_own_episodes(con)
    con.script(_SQL.read_text(encoding="utf-8"))
    quarters = _quarter_begins(until)
    days = [day_of(at) for at in quarters]
    today = day_of(until)
    seen = seen_past(con, moments(days, today), until)
    forget(con, _READ_ONCE)
    if seen is None or not seen.components:
        for table in _TABLES:
            keep(con, table, None)
    else:
        found = forecasts(seen.past, days, today, HORIZONS)
        _keep_all(con, seen, found, until, component_labels(con, catalogue))
    forget(con, _READ_LAST)


def _quarter_begins(until: datetime) -> list[datetime]:
    """Begins of the last quarters, up to the present one's."""
    first = 4 * until.year + (until.month - 1) // 3
    return [
        datetime(number // 4, 3 * (number % 4) + 1, 1)  # noqa: DTZ001 - as the store has them
        for number in range(first - _QUARTERS + 1, first + 1)
    ]


def _keep_all(
    con: Connection, seen: Seen, found: Forecasts, until: datetime, labels: dict[str, str]
) -> None:
    record = _record(found.record)
    costs = query(con, "FROM coming_costs ORDER BY component")
    rows = [_rows(seen, ahead, until, labels) for ahead in found.today]
    goes = int(found.state.driving.goes.sum())
    keep(con, "forecast_record", record)
    is_advised = is_trusted(len(record), int(record["held"].sum()))
    parts = [
        needed_parts(con, seen, ahead).with_columns(is_advised=pl.lit(is_advised))
        for ahead in found.today
        if ahead.days <= HORIZONS[1]
    ]
    keep(con, "forecast_parts", pl.concat(parts))
    table = pl.concat(rows).with_columns(
        as_of=pl.lit(until), n_vehicles=pl.coalesce("n_vehicles", pl.lit(goes)).cast(pl.Int32)
    )
    keep(con, "forecast", _priced(table, costs))


def _rows(seen: Seen, ahead: Ahead, until: datetime, labels: dict[str, str]) -> pl.DataFrame:
    """One row each for the fleet, its components, sites and vehicles."""
    year = seen.faults.filter(pl.col("seen_at") > until - timedelta(days=365))
    vehicles = seen.vehicles.select("vehicle_id", "site").with_columns(
        pl.Series("expected", ahead.of_vehicle), pl.Series("variance", ahead.vehicle_variance)
    )
    of_vehicle = year["vehicle_id"].value_counts(name="n_year")
    vehicles = vehicles.join(of_vehicle, on="vehicle_id", how="left", maintain_order="left")
    driven = vehicles.filter(pl.col("expected") > 0)
    # what makes a whole fleet's number uncertain does so for each site
    common = max(ahead.total_variance / max(ahead.total, 1e-9) - 1, 0.0) / max(ahead.total, 1e-9)
    sites = (
        driven.drop_nulls("site")
        .group_by("site", maintain_order=True)
        .agg(pl.col("expected", "n_year").sum(), n_vehicles=pl.len().cast(pl.Int32))
        .with_columns(variance=pl.col("expected") + common * pl.col("expected") ** 2)
        .sort("site")
    )
    components = pl.DataFrame(
        {
            "component": pl.Series(seen.components, dtype=pl.String),
            "expected": ahead.expected,
            "variance": ahead.variance,
        }
    ).join(year["component"].value_counts(name="n_year"), on="component", how="left")
    fleet = pl.DataFrame(
        {"expected": [ahead.total], "variance": [ahead.total_variance], "n_year": [len(year)]}
    )
    return pl.concat(
        [
            _told(fleet, "fleet"),
            _told(components, "component").with_columns(
                label=pl.col("component").replace_strict(labels, default=pl.col("component"))
            ),
            _told(sites, "site"),
            _told(driven.drop("site"), "vehicle"),
        ],
        how="diagonal_relaxed",
    ).with_columns(days=pl.lit(round(ahead.days), pl.Int32))


def _told(rows: pl.DataFrame, level: str) -> pl.DataFrame:
    """Add intervals; leave out rows with hardly anything to expect."""
    rows = rows.filter(pl.col("expected") > _HARDLY)
    mean, variance = rows["expected"].to_numpy(), rows["variance"].to_numpy()
    low, high = interval(mean, variance)
    return rows.drop("variance").with_columns(
        pl.Series("low", low.astype(np.int32)),
        pl.Series("high", high.astype(np.int32)),
        pl.Series("p_any", at_least_one(mean, variance)),
        pl.col("n_year").fill_null(0).cast(pl.Int32),
        level=pl.lit(level),
        n_vehicles=pl.lit(1 if level == "vehicle" else None, pl.Int32)
        if "n_vehicles" not in rows.columns
        else pl.col("n_vehicles"),
    )


def _priced(rows: pl.DataFrame, costs: pl.DataFrame) -> pl.DataFrame:
    """Add what orders for a component usually cost, and for the fleet the sum of them."""
    enough = costs.filter(pl.col("n_priced") >= _ENOUGH_PRICED)
    priced = rows.join(enough, on="component", how="left", maintain_order="left").with_columns(
        cost=pl.col("expected") * pl.col("usual_cost")
    )
    sums = (
        priced.filter(pl.col("cost").is_not_null())
        .group_by("days", maintain_order=True)
        .agg(
            pl.col("currency").first().alias("one_currency"),
            pl.col("n_priced").sum().alias("n_all"),
            pl.col("cost").sum().alias("all_cost"),
        )
    )
    is_fleet = pl.col("level") == "fleet"
    return priced.join(sums, on="days", how="left", maintain_order="left").with_columns(
        currency=pl.when(is_fleet).then("one_currency").otherwise("currency"),
        n_priced=pl.when(is_fleet).then("n_all").otherwise("n_priced").fill_null(0).cast(pl.Int32),
        cost=pl.when(is_fleet).then("all_cost").otherwise("cost"),
    )


def _record(record: tuple[Told, ...]) -> pl.DataFrame:
    """Past quarters as they would have been told, beside what came."""
    rows = []
    for told in record:
        low, high = interval([told.ahead.total], [told.ahead.total_variance])
        own_low, own_high = interval(told.ahead.expected, told.ahead.variance)
        some = told.ahead.expected > _HARDLY
        within = (told.came >= own_low) & (told.came <= own_high) & some
        began = datetime(1970, 1, 1) + timedelta(days=told.begin)  # noqa: DTZ001
        rows.append(
            {
                "quarter": f"{began.year}-Q{(began.month - 1) // 3 + 1}",
                "n_vehicles": told.n_vehicles,
                "expected": told.ahead.total,
                "low": int(low[0]),
                "high": int(high[0]),
                "came": told.total_came,
                "held": bool(low[0] <= told.total_came <= high[0]),
                "n_components": int(some.sum()),
                "n_components_held": int(within.sum()),
            }
        )
    schema = {
        "quarter": pl.String, "n_vehicles": pl.Int32, "expected": pl.Float64, "low": pl.Int32,
        "high": pl.Int32, "came": pl.Int32, "held": pl.Boolean, "n_components": pl.Int32,
        "n_components_held": pl.Int32,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema)
