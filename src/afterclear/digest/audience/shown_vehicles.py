"""What the audiences' pages share: the vehicles shown, each read once in full.  Pure."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import polars as pl

from afterclear.digest.audience.changes import changes_since
from afterclear.digest.common.assess import Faults, FleetRows, Setting, assess_faults
from afterclear.digest.common.choosing import Choice, Picked, PickedCost, choose
from afterclear.digest.common.model import AttemptView, Changes, ComebackCost, PageHead, Tally
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.frames import Details, FleetFrames, in_chunks
from afterclear.wording.cells import Cells
from afterclear.wording.language import mark

_FAULT_TABLES = ("vehicles", "attempts", "evidence", "episodes")


_KINDS = {"repair": mark("Repairs"), "clear_only": mark("Codes cleared only")}


@dataclass(frozen=True)
class CommonViews:
    """What the pages of all audiences are made from."""

    head: PageHead
    setting: Setting
    roster: Roster
    choice: Choice
    views: Mapping[str, AttemptView]  # of every attempt shown
    changes: Changes | None
    tallies: tuple[Tally, ...]
    costs: tuple[ComebackCost, ...]

    def shown(self, picked: Picked) -> tuple[AttemptView, ...]:
        """Return the attempts a list shows."""
        return tuple(map(self.views.__getitem__, picked.ids))


def read_common_views(
    frames: FleetFrames, details: Details, setting: Setting, head: PageHead
) -> CommonViews:
    """Choose what is shown, and read it."""
    roster = Roster(frames, setting)
    choice = choose(frames, roster, setting)
    views = _views(frames, choice.attempt_ids(), details, roster, setting)
    return CommonViews(
        head=head,
        setting=setting,
        roster=roster,
        choice=choice,
        views=views,
        changes=changes_since(frames, choice, views, roster, setting),
        tallies=_tallies(frames.tallies, setting.cells),
        costs=tuple(_cost(cost, views) for cost in choice.costs),
    )


def read_faults(
    vehicle_ids: Collection[str], details: Details, roster: Roster, setting: Setting
) -> Mapping[str, Faults]:
    """Assess the faults and fixes of some vehicles."""
    return {
        rows.vehicle.vehicle_id: assess_faults(rows, roster.usual(rows.vehicle.vehicle_id), setting)
        for tables in in_chunks(details, vehicle_ids, _FAULT_TABLES)
        for rows in FleetRows(tables, _met(tables))
    }


def _met(tables: Mapping[str, pl.DataFrame]) -> list[str]:
    met = pl.concat([tables[name].select("vehicle_id") for name in ("attempts", "episodes")])
    return met["vehicle_id"].unique().sort().to_list()


def _views(
    frames: FleetFrames,
    attempt_ids: Collection[str],
    details: Details,
    roster: Roster,
    setting: Setting,
) -> Mapping[str, AttemptView]:
    """Read the attempts shown, some vehicles at a time, and keep no others."""
    if not attempt_ids:
        return {}
    shown = frames.attempts.filter(pl.col("attempt_id").is_in(list(attempt_ids)))
    owners = shown["vehicle_id"].unique().sort()
    return {
        view.row.attempt_id: view
        for tables in in_chunks(details, owners, _FAULT_TABLES)
        for rows in FleetRows(tables, _met(tables))
        for view in assess_faults(rows, roster.usual(rows.vehicle.vehicle_id), setting).attempts
        if view.row.attempt_id in attempt_ids
    }


def _tallies(counted: pl.DataFrame, cells: Cells) -> tuple[Tally, ...]:
    """Count attempts by kind and verdict."""
    return _by_verdict(counted, {kind: cells.t(words) for kind, words in _KINDS.items()})


def year_tallies(counted: pl.DataFrame) -> tuple[Tally, ...]:
    """Count attempts by quarter and verdict, the earliest quarter first."""
    quarters = counted["quarter"].unique().sort()
    return _by_verdict(counted, {quarter: quarter for quarter in quarters})


def _by_verdict(counted: pl.DataFrame, names: Mapping[str, str]) -> tuple[Tally, ...]:
    n = {(group, outcome): n for group, outcome, n in counted.iter_rows()}
    return tuple(
        Tally(
            name,
            held=n.get((group, "held"), 0),
            on_watch=n.get((group, "on_watch"), 0),
            unchecked=n.get((group, "unchecked"), 0),
            came_back=n.get((group, "came_back"), 0),
        )
        for group, name in names.items()
    )


def _cost(cost: PickedCost, views: Mapping[str, AttemptView]) -> ComebackCost:
    largest = tuple(map(views.__getitem__, cost.largest))
    return ComebackCost(cost.currency, cost.total, cost.n_repairs, largest)
