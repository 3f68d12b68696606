"""One frozen class per table of findings: the columns a page shows, and what they hold.

Every analysis replaces the tables; a page reads them by name, in any order of columns. Findings are
declared (``finding_tables``); this module has the other tables. ``because`` is the worklist's own
English; it names no vehicle, person or place.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from afterclear.finding_tables.parts import Claim
from afterclear.finding_tables.recurrence import Recurring
from afterclear.finding_tables.registry import STORED
from afterclear.finding_tables.sites import CountedAs
from afterclear.reasons import Urgency


@dataclass(frozen=True, slots=True)
class RecurringCode(Recurring):
    """A recurring code with what it is about."""

    family_label: str | None = None
    meaning: str | None = None


@dataclass(frozen=True, slots=True)
class Stock:
    """Whether a vehicle in stock can be handed over."""

    vehicle_id: str
    verdict: Literal["ready", "rescan", "hold"]
    reasons: str | None
    km_to_rescan: float | None
    last_full_scan_at: datetime | None
    deciding: str  # JSON: reasons with their facts (``wording/stock.py``)
    safety: bool = False
    acquired_on: date | None = None
    listed_at: datetime | None = None  # when a list first named it as stock
    was_elsewhere: bool | None = None  # an earlier list had another status
    last_scan_id: str | None = None  # that read a control unit
    last_scan_at: datetime | None = None
    shown_km: float | None = None  # the odometer as shown at that scan
    read_at: datetime | None = None  # of a later reading
    driven_km: float | None = None  # between the two


@dataclass(frozen=True, slots=True)
class StockReason:
    """One reason of a stock verdict, most weighty first."""

    vehicle_id: str
    position: int
    reason: str
    weight: str | None
    subject: str | None
    km_to_rescan: float | None
    facts: str  # JSON: the parameters of ``reason``
    source: str | None = None


@dataclass(frozen=True, slots=True)
class WorkRow:
    """One line of a ranked work list."""

    vehicle_id: str
    rank: int | None  # None: a person's decision took it off the list
    deeds: str  # JSON: reasons with their facts (``wording/work.py``)
    grounds: str  # as ``deeds``: why
    looks: str  # as ``deeds``: what to scan, and when
    safety: bool
    attempt_ids: str | None
    audience: str = "fleet"
    site: str | None = None
    kind: str | None = None
    units_to_scan: str | None = None
    after_km: float | None = None
    p_not_fixed: float | None = None
    expected_loss: float | None = None
    currency: str | None = None
    cost_grounds: str | None = None  # as ``deeds``: the basis of the cost
    codes: str | None = None
    cautions: str | None = None
    decision: str | None = None  # JSON: what was decided
    note: str | None = None  # of whoever decided
    urgency: Urgency | None = None  # None: not analysed yet by this version
    since_at: datetime | None = None
    meaning: str | None = None  # of the first code, in the words of the tables of codes
    usual_cost: float | None = None  # of the repairs it asks for


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's decision on a vehicle, an attempt or a code."""

    vehicle_id: str
    attempt_id: str | None
    ecu: str | None
    code: str | None
    word: str
    until_at: datetime | None
    until_km: float | None
    decided_by: str
    note: str | None
    decided_at: datetime
    undone_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class QualityWork:
    """One repair behind the figures of its site, technician, brand and grade."""

    attempt_id: str
    vehicle_id: str
    ecu: str | None  # None: none has shown the code
    code: str
    family_label: str | None
    meaning: str | None
    attempted_at: datetime
    repair_id: str | None
    site: str | None
    technician: str | None
    brand: str | None
    grade: str | None
    counted_as: CountedAs
    outcome: str
    stayed: bool
    returned_at: datetime | None
    returned_scan_id: str | None
    related_code: str | None
    last_clean_at: datetime | None
    last_clean_scan_id: str | None


@dataclass(frozen=True, slots=True)
class HabitWork:
    """One piece of work behind the count of a habit, or behind its cost."""

    finding: str
    site: str | None
    vehicle_id: str
    repair_id: str | None
    attempt_id: str | None
    happened_at: datetime | None
    code: str | None  # all codes, with blanks between
    part_brand: str | None  # of the part, where the line is about one
    part_number: str | None
    part_label: str | None  # what it is
    cost: float | None
    currency: str | None
    technician: str | None
    ecu: str | None
    shown_code: str | None  # the code of the attempt: of what follows
    family_label: str | None
    meaning: str | None
    outcome: str | None
    stayed: bool | None
    returned_at: datetime | None
    returned_scan_id: str | None
    last_clean_at: datetime | None
    last_clean_scan_id: str | None
    n_all: int  # pieces of work of this finding and site


@dataclass(frozen=True, slots=True)
class RepeatPrice:
    """What a work order costs that was needed because an earlier one failed."""

    currency: str
    n: int  # orders with a price
    price: float  # their median


FINDING_ROWS: dict[str, type] = {
    **{table: finding.row for table, finding in STORED.items()},
    "recurring": RecurringCode,
    "stock": Stock,
    "stock_reasons": StockReason,
    "worklist": WorkRow,
    "worklist_set_aside": WorkRow,
    "decisions": Decision,
    "quality_work": QualityWork,
    "habit_work": HabitWork,
    "failed_parts": Claim,
    "repeat_prices": RepeatPrice,
}
