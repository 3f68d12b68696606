"""Page models: frozen numbers and sentences, ready for a thin template.  No HTML here."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from afterclear.digest.input.frames import Audience, Caution, StaleSource, Units
from afterclear.digest.input.mileage import Due
from afterclear.digest.input.row_types import Attempt, Evidence
from afterclear.reasons import Urgency
from afterclear.wording.cells import Dash

FOLDED: Final = 8  # vehicles; a shorter list is on a phone's screen without being folded


@dataclass(frozen=True, slots=True)
class VehicleRef:
    """A vehicle as it is named in a table, and where its page is."""

    vehicle_id: str
    plate: str | None
    description: str  # make, model, year; empty if none is known
    site: str | None
    page: str  # file name relative to the digest's folder
    sold: bool


@dataclass(frozen=True, slots=True)
class Fault:
    """What a code is about."""

    ecu: str
    code: str
    meaning: str | None
    family_label: str | None
    cautions: tuple[Caution, ...]

    @property
    def known(self) -> bool:
        """Whether it is known what the code is about."""
        return bool(self.meaning or self.family_label)

    @property
    def words(self) -> str:
        """What the code is about, in as many words of the tables or the scan as are known."""
        return self.meaning or self.family_label or ""

    @property
    def safety(self) -> bool:
        """A fault that brings a caution goes before others."""
        return bool(self.cautions)


@dataclass(frozen=True, slots=True)
class AttemptView:
    """A fix attempt with everything pages show about it."""

    row: Attempt
    vehicle: VehicleRef
    fault: Fault
    done: str  # what was done, in words
    where: str  # the site, or whose it is; empty: not known
    reason: str  # why it has its verdict, one sentence
    evidence: tuple[Evidence, ...]  # in order of time
    current: bool  # no later attempt at the same fault
    present: bool  # the fault is there in the last scan that could show it
    due: Due | None  # for on watch
    settled_by: str | None  # for unchecked: the scan that would settle it


@dataclass(frozen=True, slots=True)
class PresentFault:
    """A fault there in the last scan that could show it."""

    fault: Fault
    onset_low_at: datetime | None  # None: there at the first scan
    onset_high_at: datetime
    last_seen_at: datetime
    last_seen_km: float | None
    n_scans: int
    failed: AttemptView | None  # the attempt it came back from; None: nobody worked on it


@dataclass(frozen=True, slots=True)
class WorkFacts:
    """A vehicle's line of the ranked work list."""

    deeds: str  # what to do: reasons with their facts (JSON)
    grounds: str  # why
    looks: str  # what to scan, and when
    cost: float | None  # None: not given, for example for safety
    is_usual_cost: bool  # True: cost of such work; False: times the chance of not fixed
    currency: str | None
    decision: str | None  # what was decided: a reason with its facts (JSON)
    note: str | None  # of whoever decided


@dataclass(frozen=True, slots=True)
class WorkItem:
    """One vehicle to do something about."""

    vehicle: VehicleRef
    action: Literal["bring_in", "scan"]
    safety: bool
    cautions: tuple[Caution, ...]
    facts: WorkFacts
    urgency: Urgency | None  # None: not analysed yet by this version
    since: datetime | None  # of what comes first: seen, back, or worked on since
    code: str | None  # of what comes first; None: it is about no code
    meaning: str | None  # of that code; None: not known
    n_more: int  # further things to do on the vehicle
    sheet_href: str = ""  # its sheet for the workshop, relative to the digest's folder


@dataclass(frozen=True, slots=True)
class SitePlan:
    """The vehicles of one site that cannot wait for their next visit."""

    site: str | None
    n_do_not_drive: int
    n_repair: int  # to book for work, those not to be driven included
    n_scan: int
    n_priced: int  # of those to book, where orders on the same components give a price
    costs: tuple[tuple[float, str | None], ...]  # usual cost of their work by currency


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is different since the previous digest."""

    vehicle: VehicleRef
    fault: Fault
    text: str


@dataclass(frozen=True, slots=True)
class ChangeList:
    """Changes of one kind: safety first, then the latest."""

    shown: tuple[Change, ...]
    n: int  # all of them


@dataclass(frozen=True, slots=True)
class Changes:
    """What changed since the digest before."""

    since: datetime | None
    came_back: ChangeList
    proven: ChangeList
    new: ChangeList | Dash
    gone: ChangeList | Dash


@dataclass(frozen=True, slots=True)
class Tally:
    """Fix attempts of one kind, or of one quarter, counted by verdict."""

    name: str  # in the reader's words
    held: int
    on_watch: int
    unchecked: int
    came_back: int

    @property
    def total(self) -> int:
        """Count all attempts."""
        return self.held + self.on_watch + self.unchecked + self.came_back


@dataclass(frozen=True, slots=True)
class ComebackCost:
    """Money spent on repairs that did not hold, in one currency."""

    currency: str
    total: float
    n_repairs: int
    largest: tuple[AttemptView, ...]  # one attempt per work order, most expensive first


@dataclass(frozen=True, slots=True)
class SetAside:
    """How often odometer readings were set aside for one reason, over the fleet."""

    cause: str
    n_readings: int
    n_vehicles: int


@dataclass(frozen=True, slots=True)
class LoadLine:
    """One delivered file of which rows were refused, or the whole."""

    file_name: str
    source: str
    at: datetime | None
    n_read: int
    n_refused: int


@dataclass(frozen=True, slots=True)
class DataNotes:
    """What the digest could not use, and which vehicles were not scanned."""

    n_rejections: int | None  # None: who made the digest does not know what was refused
    loads_with_refusals: tuple[LoadLine, ...]
    stale_sources: tuple[StaleSource, ...]
    set_aside: tuple[SetAside, ...]
    quiet: tuple[tuple[VehicleRef, datetime], ...]  # the first of those scanned too long ago
    n_quiet: int
    never_scanned: tuple[VehicleRef, ...]  # the first of them
    n_never_scanned: int
    n_scans: int
    n_partial: int


@dataclass(frozen=True, slots=True)
class PageHead:
    """What every page shows about itself."""

    title: str
    fleet_name: str
    as_of: datetime
    units: Units
    zone: str
    version: str
    held_below: float
    language: str = "en"
    audiences: tuple[Audience, ...] = ("fleet", "garage", "stock")  # whose pages this digest has
    public: bool = False  # without personal data
    has_dossiers: bool = True
    tables: frozenset[str] = frozenset()  # whose rows are in files beside the pages
    hour_km: float | None = None  # a vehicle without odometer: km that equal one engine hour
    # a vehicle's page is dated by its own records, so that it changes only when they do
    is_of_vehicle: bool = False
    last_record_at: datetime | None = None  # None: it has none

    @property
    def dated_at(self) -> datetime | None:
        """Return the instant up to which the page tells."""
        return self.last_record_at if self.is_of_vehicle else self.as_of


@dataclass(frozen=True, slots=True)
class VehicleLine:
    """One vehicle in the index."""

    vehicle: VehicleRef
    n_present: int
    safety: bool
    n_held: int
    n_on_watch: int
    n_unchecked: int
    n_came_back: int
    last_scan_at: datetime | None
    # those present and what they are about: the list is searched by them too
    codes: tuple[str, ...] = ()
    components: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SiteLines:
    """The vehicles of one site in a list."""

    site: str | None
    vehicles: tuple[VehicleLine, ...]

    @property
    def n_present(self) -> int:
        """Count the vehicles with a code present."""
        return sum(line.n_present > 0 for line in self.vehicles)


def by_site(lines: Sequence[VehicleLine]) -> tuple[SiteLines, ...]:
    """Divide a list by site, those of no known site last; nothing, if it is short or of one."""
    own: dict[str | None, list[VehicleLine]] = defaultdict(list)
    for line in lines:
        own[line.vehicle.site].append(line)
    if len(own) == 1 or len(lines) < FOLDED:
        return ()
    sites = sorted(own, key=lambda site: (site is None, site or ""))
    return tuple(SiteLines(site, tuple(own[site])) for site in sites)


@dataclass(frozen=True, slots=True)
class VehicleList:
    """Where part of a large fleet is listed."""

    page: str  # file name relative to the digest's folder
    first: str  # vehicle_id
    last: str
    n: int


@dataclass(frozen=True, slots=True)
class ListPage:
    """Part of a large fleet, one line for each vehicle."""

    head: PageHead
    own: VehicleList
    vehicles: tuple[VehicleLine, ...]


@dataclass(frozen=True, slots=True)
class IndexPage:
    """The way in: the audiences' pages and every vehicle."""

    head: PageHead
    n_vehicles: int
    vehicles: tuple[VehicleLine, ...]  # those listed here
    lists: tuple[VehicleList, ...]  # where a fleet too large for one page is listed
    n_without_page: int  # vehicles on no page, if only the others have one
    n_bring_in: int
    n_scan: int
    garage: str  # one line about its page; empty: there is none
    stock: str
