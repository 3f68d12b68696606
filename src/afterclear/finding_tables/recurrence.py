"""Recurring codes, worsening vehicles, and their charts."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, Section, counted, mark

PEERS: Final[dict[str, str]] = {  # from the narrowest circle to the widest
    "model_engine_age": mark("same model, engine and age"),
    "model_engine": mark("same model and engine"),
    "engine": mark("same engine kind"),
    "engine_with_code": mark("all vehicles whose engine type can have this code"),
    "engine_with_code_drawn": mark(
        "all vehicles whose engine type can have this code; similar codes help the estimate"
    ),
}
TRENDS: Final[dict[str, str]] = {
    "worsening": mark("Getting worse"),
    "improving": mark("Getting better"),
    "none": mark("Without a trend"),
    "too_few": mark("Too few faults to say"),
}


@dataclass(frozen=True, slots=True)
class Recurring:
    """A code that began more than once on one vehicle, compared with its peers."""

    vehicle_id: Annotated[str, Means("the vehicle")]
    ecu: Annotated[str, Means("the control unit, as scans spell it")]
    code: Annotated[str, Means("the fault code")]
    family: Annotated[str, Means("what the code is about")]
    n_episodes: Annotated[int, Means("how often it was seen to be there, then not")]
    exposure_km: Annotated[float | None, Means("km watched for it to begin", "km")]
    rate_per_10000km: Annotated[float | None, Means("onsets per 10,000 km", "per_10000km")]
    peer_rate_per_10000km: Annotated[float | None, Means("the same of its peers", "per_10000km")]
    p_excess: Annotated[float | None, Means("P(its rate is above 1.5 times its peers')", "share")]
    q_value: Annotated[float | None, Means("share of false flags up to this row")]
    flagged: Annotated[
        bool,
        Means(
            "more often than on its peers, beyond chance; never where every scan showed it as "
            "following from another code"
        ),
    ]
    n_onsets: Annotated[int, Means("onsets in the watched km")]
    expected_onsets: Annotated[float | None, Means("onsets its peers let expect", digits=2)]
    ratio: Annotated[float | None, Means("its rate over its peers', drawn towards 1")]
    ratio_low: Annotated[float | None, Means("lower end of its 95 % interval")]
    ratio_high: Annotated[float | None, Means("upper end")]
    p_value: Annotated[float | None, Means("P(as many onsets by chance, in chains of returns)")]
    peers: Annotated[str, Means("the circle of vehicles that counts", words=PEERS)]
    peer_onsets: Annotated[int, Means("onsets among them")]
    peer_km: Annotated[float | None, Means("km watched of them", "km")]


@dataclass(frozen=True, slots=True)
class Worsening:
    """Whether new faults of a vehicle come at ever shorter distances."""

    vehicle_id: Annotated[str, Means("the vehicle")]
    n_events: Annotated[int, Means("visits at which something new was found")]
    exposure_km: Annotated[float, Means("km from the first reading to the last", "km")]
    trend: Annotated[
        Literal["worsening", "improving", "none", "too_few"],
        Means("what the trend is", words=TRENDS),
    ]
    p_value: Annotated[float | None, Means("P(such a trend by chance)", "share")]
    q_value: Annotated[float | None, Means("share of false trends up to this row")]
    shape: Annotated[float | None, Means("shape of the power law, drawn towards the fleet's")]
    shape_own: Annotated[float | None, Means("shape of its own; 1 is steady", digits=2)]
    shape_low: Annotated[float | None, Means("lower end of its 95 % interval", digits=2)]
    shape_high: Annotated[float | None, Means("upper end", digits=2)]
    p_worsening: Annotated[float | None, Means("P(the shape is above 1)", "share")]
    entry_km: Annotated[float | None, Means("odometer at the first reading", "km")]
    exit_km: Annotated[float | None, Means("odometer at the last", "km")]


@dataclass(frozen=True, slots=True)
class WorseningEvent:
    """A visit at which something new was found."""

    vehicle_id: Annotated[str, Means("the vehicle")]
    event_no: Annotated[int, Means("its number, from 1")]
    seen_at: Annotated[datetime, Means("when it was found")]
    event_km: Annotated[float, Means("where on the odometer it began, about", "km")]
    faults: Annotated[str, Means("the codes")]


@dataclass(frozen=True, slots=True)
class FaultCurve:
    """Mean number of new faults per vehicle by mileage, for each model."""

    platform: Annotated[str | None, Means("make and model; empty: not known")]
    km: Annotated[float, Means("odometer", "km")]
    n_at_risk: Annotated[int, Means("vehicles watched there")]
    mean: Annotated[float, Means("new faults per vehicle up to there")]
    mean_low: Annotated[float, Means("lower end of its 95 % interval")]
    mean_high: Annotated[float, Means("upper end")]


FINDINGS: Final = (
    Finding(
        "recurring",
        Recurring,
        about="codes that begin again more often than on like vehicles",
        order="flagged DESC, q_value, vehicle_id, ecu, code",
        says=(
            (
                Clause(
                    counted(
                        "Began {n_onsets} time over {exposure_km} that scans cover "
                        "({rate_per_10000km}); on similar vehicles {expected_onsets} times "
                        "would be usual over that distance.",
                        "Began {n_onsets} times over {exposure_km} that scans cover "
                        "({rate_per_10000km}); on similar vehicles {expected_onsets} times "
                        "would be usual over that distance.",
                    ),
                    count="n_onsets",
                ),
            ),
            (Clause(mark(" Similar means: {peers}.")),),
        ),
        method=(
            "panel onset rate, gamma-Poisson shrinkage to peers (95 % interval), mid-p of onsets "
            "in chains of returns, Benjamini-Hochberg within the family"
        ),
    ),
    Finding(
        "worsening",
        Worsening,
        about="vehicles whose new faults come at ever shorter distances",
        order="trend <> 'worsening', p_worsening DESC, vehicle_id",
        says=(
            (
                Clause(
                    counted(
                        "{n_events} new fault in {exposure_km}",
                        "{n_events} new faults in {exposure_km}",
                    ),
                    count="n_events",
                ),
            ),
            (
                Clause(
                    mark(": too few for a trend (at least 8 needed)."),
                    lambda row: row.trend == "too_few",
                ),
                Clause(
                    mark(
                        ", at shorter and shorter distances: a growth of {shape_own} "
                        "(between {shape_low} and {shape_high}), where 1 is steady."
                    ),
                    lambda row: row.trend == "worsening",
                ),
                Clause(
                    mark(
                        ", at longer and longer distances: a growth of {shape_own} "
                        "(between {shape_low} and {shape_high}), where 1 is steady."
                    ),
                    lambda row: row.trend == "improving",
                ),
                Clause(
                    mark(
                        ", without a clear trend: a growth of {shape_own} (between "
                        "{shape_low} and {shape_high}), where 1 is steady."
                    )
                ),
            ),
        ),
        method=(
            "score test of something new between two scans (complementary log-log, offset ln km), "
            "Benjamini-Hochberg over the fleet; power-law shape drawn towards the fleet's, its own "
            "95 % interval beside it"
        ),
        section=Section(
            mark("Vehicles getting worse"),
            columns={
                "n_events": mark("New faults"),
                "exposure_km": mark("Observed over"),
                "sentence": mark("What that means"),
                "p_value": mark("How often luck alone looks like this"),
            },
            none=mark("No vehicle's faults clearly come closer together."),
            where="trend = 'worsening'",
            order=("p_value", "vehicle_id"),
            tally="trend",
        ),
    ),
    Finding(
        "worsening_events",
        WorseningEvent,
        about="the new faults behind each trend",
        order="vehicle_id, event_no",
    ),
    Finding(
        "fault_curves",
        FaultCurve,
        about="new faults per vehicle by mileage, for each model",
        order="platform, km",
    ),
)
