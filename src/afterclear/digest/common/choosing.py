"""Which attempts and episodes the audiences' pages show, in which order, and how many there are.

A fleet of a hundred thousand vehicles has more open questions than a page can carry: each list
shows its first ``MOST`` and says how many there are.  Chosen and ordered here by a few columns;
only the chosen rows are then read in full.  Pure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.frames import FleetFrames
from afterclear.digest.input.mileage import Owed, Usual, due_when
from afterclear.wording.cells import Dash

MOST = 200  # lines of one table; the export named under it has all

_FAR = datetime.max.replace(tzinfo=UTC)
_DEAREST = 5  # work orders named under a cost; the rest are in the table of come-backs
_RATHER_THE_SAME = 0.5  # a return less likely the old fault does not count against the repair


@dataclass(frozen=True, slots=True)
class Picked:
    """The attempts a list shows, in its order, and how many it would have."""

    ids: tuple[str, ...] = ()
    n: int = 0


@dataclass(frozen=True, slots=True)
class PickedCost:
    """Money spent on repairs that did not hold, in one currency."""

    currency: str
    total: float
    n_repairs: int
    largest: tuple[str, ...]  # an attempt of each of the most expensive work orders


@dataclass(frozen=True, slots=True)
class Choice:
    """What the pages show of the attempts."""

    failed: Picked  # nobody has worked on the fault again
    failed_again: Picked  # somebody has
    urgent: Picked
    on_watch: Picked
    unchecked: Picked  # safety first, then the latest work
    unchecked_by_vehicle: Picked
    came_back: Picked  # since the previous digest
    proven: Picked
    costs: tuple[PickedCost, ...]
    n_without_cost: int

    def attempt_ids(self) -> frozenset[str]:
        """Return every attempt shown anywhere."""
        lists = (self.failed, self.failed_again, self.urgent, self.on_watch, self.unchecked)
        more = (self.unchecked_by_vehicle, self.came_back, self.proven)
        found = {attempt for picked in (*lists, *more) for attempt in picked.ids}
        return frozenset(found | {attempt for cost in self.costs for attempt in cost.largest})


def choose(frames: FleetFrames, roster: Roster, setting: Setting) -> Choice:
    """Choose what the pages show of the attempts."""
    if frames.attempts.is_empty():
        none = Picked()
        return Choice(none, none, none, none, none, none, none, none, (), 0)
    attempts = _marked(frames, setting)
    failed = attempts.filter((pl.col("outcome") == "came_back") & _since(setting, "look_back_days"))
    ordered = failed.sort(
        *("present", "current", "safety", "back_at"), descending=True, maintain_order=True
    )
    urgent = pl.col("safety") & pl.col("present") & pl.col("current")
    ours = attempts.filter(~pl.col("vehicle_id").cast(pl.String).is_in(roster.sold()))
    unchecked = ours.filter((pl.col("outcome") == "unchecked") & pl.col("current"))
    costs, n_without = _costs(failed)
    return Choice(
        failed=_picked(ordered.filter("current")),
        failed_again=_picked(ordered.filter(~pl.col("current"))),
        urgent=_picked(ordered.filter(urgent & _since(setting, "urgent_days")), most=None),
        on_watch=_on_watch(ours, roster, setting),
        unchecked=_picked(
            unchecked.sort("safety", "attempted_at", descending=True, maintain_order=True)
        ),
        unchecked_by_vehicle=_picked(unchecked),
        came_back=_became(attempts, "came_back", "returned_at"),
        proven=_became(attempts, "held", "last_clean_at"),
        costs=costs,
        n_without_cost=n_without,
    )


def with_safety(frame: pl.DataFrame, setting: Setting) -> pl.DataFrame:
    """Mark the faults that bring a caution; ``frame`` has their codes."""
    codes = [code for code, cautions in setting.cautions.items() if cautions]
    return frame.with_columns(pl.col("code").cast(pl.String).is_in(codes).alias("safety"))


def change_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Order changes: safety first, then the latest, then by vehicle; needs safety and at."""
    keys = [~pl.col("safety"), pl.col("at"), pl.col("vehicle_id")]
    return frame.sort(keys, descending=[False, True, False], maintain_order=True)


def _marked(frames: FleetFrames, setting: Setting) -> pl.DataFrame:
    """Bring attempts into their order, and mark safety, whether the fault is there, and when."""
    attempts = frames.attempts.sort("vehicle_id", "attempted_at", "attempt_id")
    attempts = with_safety(attempts, setting)
    place = ["vehicle_id", "ecu"]
    there = frames.open_faults.select(*place, "code", there=pl.lit(value=True)).unique()
    related = there.rename({"code": "related_code", "there": "related_there"})
    attempts = attempts.join(there, on=[*place, "code"], how="left", maintain_order="left")
    attempts = attempts.join(
        related, on=[*place, "related_code"], how="left", maintain_order="left"
    )
    current = pl.col("ended_at").is_null()
    is_there = pl.coalesce("there", "related_there", pl.lit(value=False))
    return attempts.with_columns(
        current=current,
        present=current & is_there,
        back_at=pl.coalesce("returned_at", "attempted_at"),
    )


def _since(setting: Setting, days: str) -> pl.Expr:
    limit = setting.as_of - timedelta(days=getattr(setting.settings, days))
    return pl.col("back_at") >= limit


def _picked(frame: pl.DataFrame, most: int | None = MOST) -> Picked:
    shown = frame["attempt_id"] if most is None else frame["attempt_id"].head(most)
    return Picked(tuple(shown), frame.height)


def _became(attempts: pl.DataFrame, outcome: str, at: str) -> Picked:
    found = attempts.filter(pl.col("changed") & (pl.col("outcome") == outcome))
    return _picked(change_order(found.with_columns(at=pl.coalesce(at, "attempted_at"))))


def _on_watch(attempts: pl.DataFrame, roster: Roster, setting: Setting) -> Picked:
    """Order by when each would be proven; those without a date come last."""
    on_watch = attempts.filter((pl.col("outcome") == "on_watch") & pl.col("current"))
    usual: dict[str, Usual | Dash] = {}
    keys: list[tuple[bool, datetime]] = []
    columns = ("vehicle_id", "km_to_go", "clean_until_km", "clock")
    for vehicle_id, km_to_go, until_km, clock in on_watch.select(columns).iter_rows():
        if vehicle_id not in usual:
            usual = {vehicle_id: roster.usual(vehicle_id)}  # attempts of a vehicle are adjacent
        owed = Owed(km_to_go, until_km, clock)
        on = due_when(owed, usual[vehicle_id], setting.limits(vehicle_id)).on
        keys.append((True, _FAR) if isinstance(on, Dash) else (False, on))
    soonest = sorted(range(len(keys)), key=keys.__getitem__)[:MOST]
    return Picked(tuple(on_watch["attempt_id"].gather(soonest)), on_watch.height)


def _costs(failed: pl.DataFrame) -> tuple[tuple[PickedCost, ...], int]:
    """Add up the work orders whose fault came back, each once however many codes it was for.

    A return that is more likely a new fault than the old one does not count against the repair.
    """
    held_against = pl.col("p_same_fault").is_null() | (pl.col("p_same_fault") >= _RATHER_THE_SAME)
    order = pl.coalesce("repair_id", "attempt_id")
    orders = (
        failed.filter((pl.col("kind") == "repair") & held_against)
        .with_columns(order=order, currency=pl.col("currency").fill_null(""))
        .unique(["vehicle_id", "order"], keep="first", maintain_order=True)
    )
    priced = orders.filter(pl.col("cost").is_not_null())
    return tuple(
        _cost(str(currency), priced.filter(pl.col("currency") == currency))
        for currency in sorted(priced["currency"].unique())
    ), orders.height - priced.height


def _cost(currency: str, orders: pl.DataFrame) -> PickedCost:
    costs: Sequence[float] = orders["cost"].to_list()
    dearest = orders.sort("cost", descending=True, maintain_order=True).head(_DEAREST)
    return PickedCost(currency, sum(costs), orders.height, tuple(dearest["attempt_id"]))
