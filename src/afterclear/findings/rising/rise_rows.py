"""Rises as rows: in words' order, with their pictures and vehicles, and what explains which."""

from collections import Counter
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
import polars as pl

from afterclear.estimators.rates.rising import STEP_DAYS
from afterclear.finding_tables.emerging import ANY_FAULT
from afterclear.findings.rising.explained import explained_by
from afterclear.findings.rising.found_rise import Found, RiseSet

_BEFORE_DAYS: Final = 26 * STEP_DAYS  # the picture begins so long before the rise
# columns without a value in any row still have a type
_MAY_BE_EMPTY: Final[dict[str, pl.DataType]] = {
    **dict.fromkeys(("over_at", "fitted_since"), pl.Datetime("us")),
    **dict.fromkeys(("within", "group_name", "site", "part", "part_label"), pl.String()),
}
_NEXT_DAYS = 90
_MOST_NEXT = 200  # vehicles listed as next for one rise


def rise_tables(
    sets: Iterable[RiseSet], labels: dict[str, str], zero: datetime
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Give the rows of rises, of their pictures, and of their vehicles."""
    number: Counter[str] = Counter()
    rows: list[dict[str, Any]] = []
    points: list[dict[str, Any]] = []
    listed: list[pl.DataFrame] = []
    for each in sets:
        ids = _ids(each.found, zero, number)
        withins = explained_by(list(each.found), each.groups)
        for found, within, named in zip(each.found, withins, ids, strict=True):
            own = _vehicles(found, each, zero).with_columns(rise_id=pl.lit(named))
            n_left = int((~own["has_fault"]).sum())
            own_row = {"rise_id": named, "within": None if within is None else ids[within]}
            rows.append(own_row | _row(found, zero, labels, n_left))
            points += [{"rise_id": named, **point} for point in _points(found, zero)]
            listed.append(own.filter(pl.col("has_fault") | (pl.col("rank") <= _MOST_NEXT)))
    return (
        pl.DataFrame(rows, schema_overrides=_MAY_BE_EMPTY, infer_schema_length=None),
        pl.DataFrame(points),
        pl.concat(listed),
    )


def _ids(found: Iterable[Found], zero: datetime, number: Counter[str]) -> list[str]:
    """Name rises so that they keep their names, and so that no name of a site is in them.

    ``number``: of those named before.
    """
    ids = []
    for each in found:  # in the order of groups
        kind = each.kind_on(zero)
        number[kind] += 1
        ids.append(f"{kind} {number[kind]}")
    return ids


def _row(each: Found, zero: datetime, labels: dict[str, str], n_left: int) -> dict[str, Any]:
    rise, name = each.rise, each.fault.name
    days = {
        "since_at": rise.start_day, "since_low_at": rise.start_low,
        "since_high_at": rise.start_high, "found_at": rise.alarm_day, "over_at": rise.over_day,
    }  # fmt: skip
    return {
        "fault": name,
        "label": labels.get(name, name),
        "level": each.level,
        "group_name": None if each.level in {"fleet", "site"} else each.group_name,
        "site": each.group_name if each.level == "site" else None,
        "part": each.part and each.part.component,
        "part_label": each.part and labels.get(each.part.component, each.part.component),
        "fitted_since": each.part and each.part.since,
        **{key: None if day is None else zero + timedelta(days=day) for key, day in days.items()},
        "n_vehicles": rise.n,
        "expected": rise.expected,
        "ratio": rise.ratio,
        "ratio_low": rise.ratio_low,
        "ratio_high": rise.ratio_high,
        "evidence": rise.evidence,
        "n_vehicles_left": n_left,
    }


def _points(each: Found, zero: datetime) -> list[dict[str, Any]]:
    """Days of the picture, a week apart and the last one; expected as it is told."""
    start = each.rise.start_day
    first = max(0, start - _BEFORE_DAYS)
    days = np.unique(np.append(np.arange(start, first - 1, -STEP_DAYS), each.end))
    days = np.unique(np.concatenate([days, np.arange(start, each.end, STEP_DAYS)]))
    observed = each.onsets[days] - each.onsets[first]
    expected = each.expected[days] - each.expected[days[0]]
    plain = each.expected[each.end] - each.expected[start]
    # what rises everywhere is expected here, too
    drift = each.rise.expected / plain if plain > 0 else 1.0
    before = np.minimum(each.expected[days], each.expected[start]) - each.expected[days[0]]
    expected = before + (expected - before) * drift
    observed -= observed[0]
    return [
        {"on_day": zero + timedelta(days=int(day)), "observed": int(n), "expected": float(e)}
        for day, n, e in zip(days, observed, expected, strict=True)
    ]


def _vehicles(each: Found, of: RiseSet, zero: datetime) -> pl.DataFrame:
    """Vehicles of the group with the fault since then, the latest first; then the others."""
    fault, begun, members = each.fault, each.begun(of.groups), each.members(of.groups)
    seen = pl.DataFrame(
        {
            "vehicle": fault.onset_vehicle[begun],
            "day": fault.onset_day[begun],
            "then_km": fault.onset_km[begun],
        }
    ).unique("vehicle", keep="last", maintain_order=True)
    out = np.zeros(len(of.counted), dtype=np.bool_)
    out[fault.out_vehicle if fault.name != ANY_FAULT else fault.onset_vehicle[begun]] = True
    has = pl.col("day").is_not_null()
    rates = pl.Series(each.rise.rates * each.rise.ratio)
    return (
        of.counted.filter(pl.Series(members))
        .join(seen, on="vehicle", how="left", maintain_order="left")
        .with_columns(
            km=pl.when(has).then(pl.col("then_km").fill_nan(None)).otherwise("km"),
            has_fault=has,
            is_out=pl.Series(out[members]),
            seen_at=pl.lit(zero) + pl.duration(days=pl.col("day")),
            rate=pl.col("band").map_batches(rates.gather, return_dtype=pl.Float64),
        )
        # a sold vehicle is nobody's next
        .filter(pl.col("has_fault") | (~pl.col("is_out") & pl.col("stays")))
        .with_columns(
            chance_90_days=pl.when(~pl.col("has_fault")).then(
                1 - (-pl.col("rate") * pl.col("km_per_day") * _NEXT_DAYS).exp()
            )
        )
        .sort(
            "has_fault", "seen_at", "chance_90_days", "km", "vehicle_id",
            descending=[True, True, True, True, False], nulls_last=True,
        )
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int32).over("has_fault"))
        .select("vehicle_id", "has_fault", "seen_at", "km", "rank", "chance_90_days")
    )  # fmt: skip
