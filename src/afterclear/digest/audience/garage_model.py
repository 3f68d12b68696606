"""Page model for a chain's quality lead: do fixes hold, where, with which parts.  No HTML."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from afterclear.digest.audience.costs import CostView
from afterclear.digest.common.model import (
    AttemptView,
    Changes,
    ComebackCost,
    Fault,
    PageHead,
    Tally,
    VehicleRef,
)
from afterclear.digest.common.rise_lines import RisesView
from afterclear.digest.input.frames import Caution
from afterclear.finding_tables.parts import Claim, Part, Told
from afterclear.finding_tables.sites import ComparedGroup, Level, Process, ProcessCost
from afterclear.wording.cells import Dash


@dataclass(frozen=True, slots=True)
class Look:
    """One thing to look into: what, why, and where on the page it is explained."""

    name: str
    sentence: str
    target: str
    short: str  # the same in one line, for a meeting
    saving: str = ""  # what would have been spared had its work held as elsewhere
    saving_source: str = ""  # how that was worked out
    is_over: bool = False  # its latest work is as the fleet's: it comes after the others


@dataclass(frozen=True, slots=True)
class QuarterPoint:
    """Share of one quarter's fixes that held, with its interval."""

    quarter: str
    n_attempts: int
    n_judged: int
    observed: int
    expected: float | None
    share: float | None  # None: nothing is judged, or too few fixes are settled
    low: float | None
    high: float | None
    n_worn_or_new: int = 0  # came back, but most likely a worn part or a new fault
    n_still_there: int = 0  # in the visit of the work
    n_held: int = 0
    n_on_watch: int = 0

    @property
    def n_open(self) -> int:
        """Fixes that nothing is known of yet: the others add up to all but these."""
        return self.n_attempts - self.n_judged - self.n_still_there


@dataclass(frozen=True, slots=True)
class HeldChart:
    """Fix-held share by quarter, earliest first."""

    points: tuple[QuarterPoint, ...]
    summary: str


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One group on the funnel."""

    name: str
    expected: float
    ratio: float
    label: str  # worse, better, ordinary, too_few


@dataclass(frozen=True, slots=True)
class FunnelChart:
    """Come-backs seen over expected against expected, and the funnel limits."""

    points: tuple[FunnelPoint, ...]
    expected: tuple[float, ...]  # where the limits are drawn
    low: tuple[float, ...]
    high: tuple[float, ...]
    top: float  # highest ratio drawn
    summary: str


@dataclass(frozen=True, slots=True)
class Interval:
    """A ratio with its 95 % interval; None: not known, or without a limit."""

    low: float
    at: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class IntervalRow:
    """One group or part: how it compares, in words and as an interval around 1."""

    name: str
    under: str  # how much it rests on
    result: str
    figures: str
    mark: Literal["worse", "better", "ordinary"]
    own: Interval | None  # None: too few to say
    apart: Interval | None  # the same, what else may explain it taken out
    whole: str = ""  # the name in one piece where it is divided; empty: ``name`` is whole


@dataclass(frozen=True, slots=True)
class IntervalChart:
    """Groups compared with expectation, one row each; 1 is as expected."""

    rows: tuple[IntervalRow, ...]  # the first of them
    top: float  # highest ratio drawn; longer intervals end in an arrow
    axis: str
    fewer: str  # what lies left of 1
    more: str
    summary: str


@dataclass(frozen=True, slots=True)
class ChangedSide:
    """What was changed, or the others: before and since, each with what it rests on."""

    before: str
    before_of: str
    after: str
    after_of: str


@dataclass(frozen=True, slots=True)
class ChangedLine:
    """One change of the table of interventions, and whether it helped."""

    name: str
    when: str
    measures: str
    sentence: str
    touched: ChangedSide
    others: ChangedSide


@dataclass(frozen=True, slots=True)
class ChangedView:
    """All changes, in the order of their days."""

    lines: tuple[ChangedLine, ...]
    chart: IntervalChart | None  # None: none can be told yet


@dataclass(frozen=True, slots=True)
class GroupTable:
    """All groups of one level, worst first."""

    level: Level
    rows: tuple[ComparedGroup, ...]
    intervals: IntervalChart | Dash
    funnel: FunnelChart | None  # None: so few that the rows show more
    shows_lost: bool  # the share of vehicles not seen again differs


@dataclass(frozen=True, slots=True)
class LifeChart:
    """Share of a part's units still working by km, with its band, and its B10."""

    km: tuple[float, ...]  # steps, from 0
    share: tuple[float, ...]  # after each step
    low: tuple[float, ...]
    high: tuple[float, ...]
    end_km: float  # the longest any unit was followed
    b10: tuple[float, float, float] | None  # low, estimate, high
    summary: str


@dataclass(frozen=True, slots=True)
class ClaimLine:
    """One unit on the claim sheet."""

    row: Claim
    vehicle: VehicleRef


@dataclass(frozen=True, slots=True)
class PartView:
    """A part with its findings."""

    row: Part
    life_told: Told
    ratio_told: Told
    name: str
    target: str  # its place on the page; empty: no sheet of its own
    life: LifeChart | Dash
    claims: tuple[ClaimLine, ...]  # the first of the units that failed
    n_claims: int
    claims_cost: str  # what all units that failed cost, each currency apart; empty: not known
    cautions: tuple[Caution, ...]  # for work on such a part


@dataclass(frozen=True, slots=True)
class ProcessTable:
    """One habit, all sites."""

    finding: str
    rows: tuple[Process, ...]
    costs: tuple[ProcessCost, ...]


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One piece of work behind a figure."""

    vehicle: VehicleRef
    at: datetime | None
    fault: Fault
    codes: str  # the return showed this code instead
    beside: str  # other codes of the same piece of work
    what: str  # the parts, where the list is of parts
    cost: str  # as money; empty: none is given
    order: str | None
    technician: str | None
    outcome: str | None
    stayed: bool
    seen_at: datetime | None  # the scan that showed the fault again, or the last clean one
    seen_scan: str | None


@dataclass(frozen=True, slots=True)
class OrderList:
    """The work behind one figure, the latest first."""

    anchor: str
    title: str
    n: int  # the figure
    lines: tuple[OrderLine, ...]  # the first of them
    table: str  # of the export with all of them
    rows: str  # which of its rows
    amounts: str = ""  # what they cost together

    @property
    def has_stayed(self) -> bool:
        """Whether a fault was never gone."""
        return any(line.stayed for line in self.lines)

    @property
    def shows_order(self) -> bool:
        """Whether any line has a work order: otherwise the column would say nothing."""
        return any(line.order for line in self.lines)

    @property
    def shows_verdict(self) -> bool:
        """Whether the verdicts differ, or are of fixes that hold: otherwise the heading says it.

        Of repeat work the verdict is that of the work before: beside its order it would mislead.
        """
        if self.anchor == "come_backs":
            return False
        found = {(line.outcome, line.stayed) for line in self.lines}
        return len(found) > 1 or bool({outcome for outcome, _ in found} & {"held", "on_watch"})

    @property
    def shows_parts(self) -> bool:
        """Whether any line names parts."""
        return any(line.what for line in self.lines)

    @property
    def shows_cost(self) -> bool:
        """Whether any line has an amount."""
        return any(line.cost for line in self.lines)

    @property
    def shows_scan(self) -> bool:
        """Whether any line has a scan that shows how it stands."""
        return any(line.seen_scan for line in self.lines)


@dataclass(frozen=True, slots=True)
class OrdersPage:
    """The work behind the figures of one site, technician, brand, grade or part."""

    head: PageHead
    page: str  # file name relative to the digest's folder
    level: str
    key: tuple[str, str]  # name, and a technician's site
    name: str
    back: str  # its place on the garage page
    lists: tuple[OrderList, ...]
    claims: tuple[ClaimLine, ...]  # of a part: the first of the units that failed
    n_claims: int
    shows_people: bool
    part_cautions: tuple[Caution, ...] = ()  # for work on the part
    said: str = ""  # what the figures mean

    @property
    def source(self) -> tuple[str, str, str]:
        """The export behind the page, which of its rows, and the column that tells lists apart."""
        name, site = self.key
        if self.level == "technician":
            return "attempts", f"technician = {name}, site = {site}", ""
        column = {"brand": "part_brand", "grade": "part_grade"}.get(self.level, "site")
        return "counted_work", f"{column} = {name}", "counted_as"

    @property
    def cautions(self) -> tuple[tuple[Caution, ...], ...]:
        """The cautions of the part and of the faults shown."""
        of_faults = (line.fault.cautions for own in self.lists for line in own.lines)
        return (self.part_cautions, *of_faults)


@dataclass(frozen=True, slots=True)
class GaragePage:
    """The page for a chain's quality lead."""

    head: PageHead
    looks: tuple[Look, ...]
    changes: Changes | None
    tallies: tuple[Tally, ...]
    n_back_recently: int
    look_back_days: int
    held: HeldChart | Dash
    groups: tuple[GroupTable, ...]  # sites, technicians, brands, grades; those with rows
    process: tuple[ProcessTable, ...]
    parts: tuple[PartView, ...]  # flagged first
    changed: ChangedView | None  # None: no change is in the table
    lives: IntervalChart | Dash  # how long parts last, beside similar ones
    unjudged_parts: int  # without a failure or too few for an estimate
    unchecked: tuple[AttemptView, ...]  # the first of them
    n_unchecked: int
    costs: tuple[ComebackCost, ...]
    spent: CostView | None  # None: no work order lies in the period
    rises: RisesView | None  # of sites; None: no rate rose
    few: int  # fewer judged fixes than this are drawn hollow
    shows_people: bool  # technicians are compared
    orders: tuple[OrdersPage, ...]  # the work behind the figures

    @property
    def part_cautions(self) -> tuple[Caution, ...]:
        """Cautions for work on the parts shown, without those the page has above them."""
        above = {caution for view in self.unchecked for caution in view.fault.cautions}
        of_parts = (caution for view in self.parts for caution in view.cautions)
        return tuple(caution for caution in dict.fromkeys(of_parts) if caution not in above)

    def orders_of(self, level: str, name: str | None, site: str | None = "") -> str:
        """Find the page with the work of a group; empty: it has none."""
        key = (name or "", (site or "") if level == "technician" else "")
        return next((p.page for p in self.orders if (p.level, p.key) == (level, key)), "")
