"""What is new: faults whose rate has risen, told once; then that they go on or are over.  Pure."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.model import VehicleRef
from afterclear.digest.common.rise_words import goes_on_words, rise_name, rise_words
from afterclear.digest.common.roster import Roster
from afterclear.digest.input.frames import Caution
from afterclear.digest.input.rises import Rises
from afterclear.finding_tables.emerging import Emerging, EmergingPoint
from afterclear.wording.cells import Cells

_NEW_DAYS: Final = 90  # a rise found earlier is told as going on, even where no digest told it
_USUAL_DAYS: Final = 365  # one that went on so long is what is usual now (own judgement)
_MOST: Final = 5  # new ones told with their picture; all are in the file
_VEHICLES: Final = 8  # of each list


@dataclass(frozen=True, slots=True)
class RiseChart:
    """Vehicles with the fault over time, beside as many as the rate before lets expect."""

    days: tuple[date, ...]
    observed: tuple[int, ...]
    expected: tuple[float, ...]
    since: date
    summary: str


@dataclass(frozen=True, slots=True)
class NextVehicle:
    """A vehicle on which the fault may begin."""

    vehicle: VehicleRef
    km: float | None
    chance: float | None  # within 90 days


@dataclass(frozen=True, slots=True)
class RiseView:
    """A rise that is new."""

    target: str  # its place on the page
    name: str
    sentence: str
    is_of_parts: bool
    chart: RiseChart
    affected: tuple[VehicleRef, ...]  # the latest first
    n_affected: int
    next: tuple[NextVehicle, ...]
    n_next: int
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class RisesView:
    """What a page tells of rises."""

    new: tuple[RiseView, ...]
    n_new: int
    before: tuple[tuple[str, str], ...]  # told earlier: name, and what became of it


def rises_view(
    setting: Setting, roster: Roster, levels: Collection[str] | None = None
) -> RisesView | None:
    """Choose what a page tells; None: nothing.  ``levels``: groups it is about; None: all."""
    rises, cells = setting.rises, setting.cells
    as_of = setting.as_of
    own = [
        row for row in rises.rows if row.within is None and (levels is None or row.level in levels)
    ]
    new = [row for row in own if _is_new(row, rises, as_of)]
    new.sort(key=lambda row: (-row.evidence, row.rise_id))
    before = [row for row in own if row not in new and _still_told(row, rises, as_of)]
    if not new and not before:
        return None
    return RisesView(
        tuple(_view(row, i, setting, roster) for i, row in enumerate(new[:_MOST], start=1)),
        len(new),
        tuple((rise_name(row, cells), goes_on_words(row, cells)) for row in before),
    )


def _is_new(row: Emerging, rises: Rises, as_of: datetime) -> bool:
    """Whether no digest told it before; what is over already is no news."""
    recent = row.found_at >= as_of - timedelta(days=_NEW_DAYS)
    return row.rise_id not in rises.told and recent and row.over_at is None


def _still_told(row: Emerging, rises: Rises, as_of: datetime) -> bool:
    """Whether it goes on, or its end was not told before."""
    if row.over_at is None:
        return row.found_at >= as_of - timedelta(days=_USUAL_DAYS)
    return rises.told.get(row.rise_id) == "goes_on"


def _view(row: Emerging, number: int, setting: Setting, roster: Roster) -> RiseView:
    rises, cells = setting.rises, setting.cells
    listed = [each for each in rises.vehicles.get(row.rise_id, ()) if each.vehicle_id in roster]
    begun = [each for each in listed if each.has_fault]
    left = [each for each in listed if not each.has_fault]
    return RiseView(
        target=f"new-{number}",
        name=rise_name(row, cells),
        sentence=rise_words(row, cells),
        is_of_parts=row.part is not None,
        chart=_chart(row, rises.points.get(row.rise_id, ()), cells),
        affected=tuple(roster.ref(each.vehicle_id) for each in begun[:_VEHICLES]),
        n_affected=len(begun),  # of all faults together a vehicle may have several
        next=tuple(
            NextVehicle(roster.ref(each.vehicle_id), each.km, each.chance_90_days)
            for each in left[:_VEHICLES]
        ),
        n_next=row.n_vehicles_left,
        cautions=_cautions(row, setting),
    )


def _cautions(row: Emerging, setting: Setting) -> tuple[Caution, ...]:
    """Gather the cautions of the fault and of the part, each once."""
    of_part = () if row.part is None else setting.cautions_of(row.part)
    return tuple(dict.fromkeys((*setting.cautions_of(row.fault), *of_part)))


def _chart(row: Emerging, points: Sequence[EmergingPoint], cells: Cells) -> RiseChart:
    summary = cells.t(
        "{observed} vehicles since {day}, where {expected} would be usual.",
        observed=cells.number(row.n_vehicles),
        expected=cells.number(row.expected, 1),
        day=cells.day(row.since_at.date()),
    )
    return RiseChart(
        tuple(each.on_day.date() for each in points),
        tuple(each.observed for each in points),
        tuple(each.expected for each in points),
        row.since_at.date(),
        summary,
    )
