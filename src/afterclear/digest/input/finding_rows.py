"""One frozen class per table of findings: the columns a page shows, and what they hold.

The tables are made anew by every analysis; a page reads them by name, in any order of columns.
``sentence``, ``because`` and ``why`` are the findings' own English words; they name no vehicle,
person or place.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Level = Literal["site", "technician", "brand", "grade"]


@dataclass(frozen=True, slots=True)
class Recurring:
    """A code that began more than once on one vehicle, held against its peers."""

    vehicle_id: str
    ecu: str
    code: str
    family: str | None
    n_episodes: int
    exposure_km: float | None
    rate_per_10000km: float | None
    peer_rate_per_10000km: float | None
    p_excess: float | None
    q_value: float | None
    flagged: bool
    sentence: str | None = None
    family_label: str | None = None
    meaning: str | None = None
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class Worsening:
    """Whether new faults of a vehicle come at ever shorter distances."""

    vehicle_id: str
    n_events: int
    exposure_km: float | None
    trend: Literal["worsening", "improving", "none", "too_few"]
    p_value: float | None
    q_value: float | None
    shape: float | None
    sentence: str | None = None
    shape_low: float | None = None
    shape_high: float | None = None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """How long a part lives, and how that compares."""

    part_number: str | None
    part_brand: str | None
    part_family: str
    position: str | None
    n_fitted: int
    n_failed: int
    km_observed: float
    b10_km: float | None  # by which one in ten has failed
    b10_low_km: float | None
    b10_high_km: float | None
    shape: float | None
    life_ratio_to_peers: float | None
    ratio_low: float | None
    ratio_high: float | None
    q_value: float | None
    flagged: bool | None
    method: str
    grouping: str | None = None
    family_label: str | None = None
    pattern: str | None = None
    n_peers: int | None = None
    expected_km: float | None = None
    expected_source: str | None = None
    sentence: str | None = None


@dataclass(frozen=True, slots=True)
class Claim:
    """One unit of a part, from fitting to removal or to when it was last known to be in."""

    part_number: str | None
    part_brand: str | None
    part_family: str
    position: str | None
    vehicle_id: str
    fitted_at: datetime | None
    fitted_km: float | None
    fitted_repair_id: str | None
    ended_by: str
    failed: bool  # its end counts as a failure, one without a noted reason by the setting
    removed_at: datetime | None
    removed_km: float | None
    removed_repair_id: str | None
    km_run: float
    km_unwatched: float = 0.0  # run before anyone watched
    fitted_site: str | None = None
    part_cost: float | None = None
    currency: str | None = None


@dataclass(frozen=True, slots=True)
class Holder:
    """One site, technician, brand or grade: come-backs seen and expected."""

    level: Level
    name: str
    n_attempts: int
    n_judged: int
    observed: int
    expected: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    limit_ratio: float | None
    flagged: bool
    lost_to_follow_up: float | None
    label: str | None = None
    phi: float | None = None
    q_value: float | None = None
    shrunken_ratio: float | None = None
    shrunken_low: float | None = None
    shrunken_high: float | None = None
    rank: int | None = None
    n_repairs: int | None = None
    n_bare_clears: int | None = None
    method: str | None = None
    sentence: str | None = None


@dataclass(frozen=True, slots=True)
class Quarter:
    """Fixes of one quarter of a year; ``site`` empty: of all sites together."""

    site: str | None
    quarter: str
    n_attempts: int
    n_judged: int
    observed: int
    expected: float | None
    share_held: float | None
    share_low: float | None
    share_high: float | None


@dataclass(frozen=True, slots=True)
class Process:
    """One habit of one site, held against the other sites."""

    site: str
    finding: str
    n: int
    n_of: int
    share: float | None
    share_low: float | None
    share_high: float | None
    others_share: float | None
    q_value: float | None
    flagged: bool
    sentence: str | None = None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class ProcessCost:
    """Money a habit cost one site, in one currency."""

    site: str
    finding: str
    currency: str
    n_orders: int
    n_priced: int
    cost: float
    sentence: str | None = None


@dataclass(frozen=True, slots=True)
class Role:
    """What one code of one scan is: the fault, an echo of one, or neither."""

    scan_id: str
    vehicle_id: str
    ecu: str
    code: str
    role: Literal["primary", "consequential", "stands_alone"]
    primary_ecu: str | None
    primary_code: str | None
    confidence: float | None
    reason: str
    facts: str  # JSON: the parameters of ``reason`` (``wording/roles.py``)
    seen_at: datetime | None = None


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
    rank: int | None  # None: a person's word took it off the list
    action: str
    because: str
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
    loss_basis: str | None = None
    codes: str | None = None
    cautions: str | None = None
    decided: str | None = None
    evidence: str | None = None  # what to read, and when, in words


@dataclass(frozen=True, slots=True)
class Leftover:
    """An echo still set, or back, after its cause was repaired."""

    vehicle_id: str
    ecu: str
    code: str
    primary_ecu: str
    primary_code: str
    is_open: bool
    reason: str
    facts: str
    last_seen_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class EchoWork:
    """Work aimed at an echo, and where the fault was."""

    attempt_id: str
    vehicle_id: str
    code: str
    primary_ecu: str
    primary_code: str
    reason: str
    facts: str
    cost: float | None = None
    currency: str | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's word on a vehicle, an attempt or a code."""

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


FINDING_ROWS: dict[str, type] = {
    "recurring": Recurring,
    "worsening": Worsening,
    "parts": Part,
    "claims": Claim,
    "holders": Holder,
    "held_by_quarter": Quarter,
    "process": Process,
    "process_costs": ProcessCost,
    "roles": Role,
    "stock": Stock,
    "stock_reasons": StockReason,
    "worklist": WorkRow,
    "worklist_set_aside": WorkRow,
    "leftovers": Leftover,
    "echo_work": EchoWork,
    "decisions": Decision,
}
