"""What is new: faults whose rate has risen in a group of vehicles, or since parts were fitted."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

ANY_FAULT: Final = "any"
"""Stands for the faults of all components together."""
Level = Literal[
    "fleet", "model", "model_year", "site", "brand", "part_number", "fitted_month"
]  # the last three: of parts fitted


@dataclass(frozen=True, slots=True)
class Emerging:
    """One rise of one kind of fault in one group."""

    rise_id: Annotated[
        str, Means("fault, kind of group, day it was found, and a number; lasts in later analyses")
    ]
    fault: Annotated[str, Means("the component with the fault; `any`: all together")]
    label: Annotated[str, Means("what people call it")]
    level: Annotated[
        Level,
        Means(
            "what the group is: `fleet`, `model`, `model_year`, `site`; of parts fitted `brand`, "
            "`part_number`, or `fitted_month`: a number as fitted in one month"
        ),
    ]
    group_name: Annotated[
        str | None, Means("the group, of parts its brand or number; empty: whole fleet, or a site")
    ]
    site: Annotated[str | None, Means("the site, where the group is one")]
    part: Annotated[str | None, Means("of parts: the component that was fitted")]
    part_label: Annotated[str | None, Means("of parts: what people call it")]
    fitted_since: Annotated[
        datetime | None, Means("of parts: when the first one of the group was fitted")
    ]
    since_at: Annotated[datetime, Means("when the rise began, most likely")]
    since_low_at: Annotated[datetime, Means("earliest: 9 of 10 began between the two")]
    since_high_at: Annotated[datetime, Means("latest")]
    found_at: Annotated[datetime, Means("the first day on which it was beyond chance")]
    over_at: Annotated[
        datetime | None, Means("the first day on which the old rate was back; empty: it goes on")
    ]
    n_vehicles: Annotated[int, Means("vehicles on which the fault began since then")]
    expected: Annotated[
        float, Means("how many the rate before lets expect; of parts what is usual for their kind")
    ]
    ratio: Annotated[float, Means("rate since then over that one, drawn towards 1")]
    ratio_low: Annotated[float, Means("lower end of its 95 % interval")]
    ratio_high: Annotated[float, Means("upper end")]
    evidence: Annotated[float, Means("ln of the test's sum over its limit, on the day found")]
    n_vehicles_left: Annotated[int, Means("vehicles of the group without the fault so far")]
    within: Annotated[
        str | None, Means("the rise that explains this one; empty: it stands for itself")
    ]


@dataclass(frozen=True, slots=True)
class EmergingPoint:
    """A day of the picture: first faults of the group, and those expected at its old rate."""

    rise_id: Annotated[str, Means("the rise")]
    on_day: Annotated[datetime, Means("the day")]
    observed: Annotated[int, Means("vehicles with the fault, counted from the picture's first day")]
    expected: Annotated[float, Means("as many as the rate before lets expect")]


@dataclass(frozen=True, slots=True)
class EmergingVehicle:
    """A vehicle of the group: one that has the fault, or one that may be next."""

    rise_id: Annotated[str, Means("the rise")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    has_fault: Annotated[bool, Means("the fault began on it since then")]
    seen_at: Annotated[datetime | None, Means("when it was first seen")]
    km: Annotated[float | None, Means("odometer then, or at the last reading", "km")]
    rank: Annotated[int, Means("order within its list, the next first")]
    chance_90_days: Annotated[
        float | None, Means("P(it begins within 90 days) at its km a day", "share")
    ]


_METHOD: Final = (
    "Shiryaev-Roberts sum of gamma-Poisson Bayes factors over days of change, first onset per "
    "vehicle over km by band of distance, less what rises everywhere; weights of all groups and "
    "components sum to 1, at most five false alarms a year, less than one in simulated fleets; of "
    "parts first fault since the fitting, over km by distance since"
)
_SAYS: Final = (
    (
        Clause(
            counted(
                "Faults began {n_vehicles} time, counting each vehicle at most once in 90 days; "
                "{expected} would be usual. The rate is {ratio_low} to {ratio_high} times what it "
                "was",
                "Faults began {n_vehicles} times, counting each vehicle at most once in 90 days; "
                "{expected} would be usual. The rate is {ratio_low} to {ratio_high} times what it "
                "was",
            ),
            lambda row: row.fault == ANY_FAULT,
            "n_vehicles",
        ),
        Clause(
            counted(
                "It began on {n_vehicles} vehicle with such a part; {expected} would be usual. The "
                "rate is {ratio_low} to {ratio_high} times what was usual",
                "It began on {n_vehicles} vehicles with such a part; {expected} would be usual. "
                "The rate is {ratio_low} to {ratio_high} times what was usual",
            ),
            lambda row: row.part is not None,
            "n_vehicles",
        ),
        Clause(
            counted(
                "It began on {n_vehicles} vehicle; {expected} would be usual. The rate is "
                "{ratio_low} to {ratio_high} times what it was",
                "It began on {n_vehicles} vehicles; {expected} would be usual. The rate is "
                "{ratio_low} to {ratio_high} times what it was",
            ),
            count="n_vehicles",
        ),
    ),
    (
        Clause(mark(". It is over."), lambda row: row.over_at is not None),
        Clause(mark(". It goes on.")),
    ),
)
FINDINGS: Final = (
    Finding(
        "emerging",
        Emerging,
        about="faults whose rate has risen in a group of vehicles or parts, beyond chance",
        order="found_at DESC, evidence DESC, rise_id",
        says=_SAYS,
        method=_METHOD,
    ),
    Finding(
        "emerging_points",
        EmergingPoint,
        about="the picture of each rise: observed and expected by day",
        order="rise_id, on_day",
    ),
    Finding(
        "emerging_vehicles",
        EmergingVehicle,
        about="vehicles of each rise: those with the fault and those that may be next",
        order="rise_id, has_fault DESC, rank, vehicle_id",
    ),
)
