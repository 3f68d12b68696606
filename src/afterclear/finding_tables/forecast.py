"""What is coming: failures to expect, the parts for them, and how past forecasts came out."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Finding, Means

LEAST_HELD: Final = 0.8
"""Where fewer past quarters lay within their interval, no advice is given."""
LEAST_QUARTERS: Final = 3
"""Fewer quarters are no record (own judgement)."""


def is_trusted(n_quarters: int, n_held: int) -> bool:
    """Whether past quarters came out as told often enough to advise anything."""
    return n_quarters >= LEAST_QUARTERS and n_held >= LEAST_HELD * n_quarters


@dataclass(frozen=True, slots=True)
class Forecast:
    """Failures to expect of one part of the fleet in the days to come."""

    level: Annotated[
        Literal["fleet", "component", "site", "vehicle"], Means("what the row is about")
    ]
    component: Annotated[str | None, Means("the component, where it is about one")]
    label: Annotated[str | None, Means("what people call it")]
    site: Annotated[str | None, Means("the site, where it is about one")]
    vehicle_id: Annotated[str | None, Means("the vehicle, where it is about one")]
    days: Annotated[int, Means("days after `as_of`")]
    as_of: Annotated[datetime, Means("as of when it was made")]
    n_vehicles: Annotated[int, Means("vehicles it is for: driven, read in the last 180 days")]
    n_year: Annotated[int, Means("failures first seen in the last 365 days")]
    expected: Annotated[float, Means("failures to expect")]
    low: Annotated[int, Means("lower end of the 90 % interval of their number")]
    high: Annotated[int, Means("upper end")]
    p_any: Annotated[float, Means("chance of one or more", "share")]
    currency: Annotated[str | None, Means("of the costs; empty: none known")]
    n_priced: Annotated[int, Means("orders behind the usual cost")]
    usual_cost: Annotated[float | None, Means("median cost of an order for it", "money")]
    cost: Annotated[float | None, Means("failures to expect times that", "money")]


@dataclass(frozen=True, slots=True)
class ForecastPart:
    """Parts that failures to come will take."""

    part_family: Annotated[str, Means("the kind of part")]
    label: Annotated[str, Means("what people call it")]
    days: Annotated[int, Means("days after `as_of`")]
    n_orders: Annotated[int, Means("orders for faults that fitted one")]
    expected: Annotated[float, Means("pieces to expect")]
    keep: Annotated[int, Means("pieces that are enough with a chance of 95 %")]
    part_number: Annotated[
        str | None, Means("number mostly fitted; empty: no number has six in ten")
    ]
    part_brand: Annotated[str | None, Means("its brand")]
    is_advised: Annotated[
        bool, Means("the record of past quarters allows advice; otherwise only an expectation")
    ]


@dataclass(frozen=True, slots=True)
class ForecastQuarter:
    """A past quarter: what would have been told at its begin, and what came."""

    quarter: Annotated[str, Means("the quarter")]
    n_vehicles: Annotated[int, Means("vehicles the forecast was for")]
    expected: Annotated[float, Means("failures expected from what was read before")]
    low: Annotated[int, Means("lower end of the 90 % interval")]
    high: Annotated[int, Means("upper end")]
    came: Annotated[int, Means("failures first seen in the quarter on these vehicles")]
    held: Annotated[bool, Means("what came lay within the interval")]
    n_components: Annotated[int, Means("components with an expectation")]
    n_components_held: Annotated[int, Means("of these, within their own interval")]


FINDINGS: Final = (
    Finding(
        "forecast",
        Forecast,
        about="failures to expect in the next 30, 90 and 365 days: new faults and come-backs of a "
        "component, first seen then; codes that only follow from another fault do not count",
        order="level, days, expected DESC, component, site, vehicle_id",
    ),
    Finding(
        "forecast_parts",
        ForecastPart,
        about="parts that the failures to expect will take; parts fitted without a fault are not "
        "in it",
        order="days, expected DESC, part_family",
    ),
    Finding(
        "forecast_record",
        ForecastQuarter,
        about="the forecast of each past quarter, made by the same rules from what was read "
        "before it, beside what came",
        order="quarter",
    ),
)
