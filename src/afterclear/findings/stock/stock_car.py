"""What is known of a vehicle in stock, and a reason found in it.  Pure records."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Literal

from afterclear.reasons import Facts, StockReason

Weight = Literal["hold", "rescan", "note"]
Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing found.  ``facts``: the parameters of ``name`` (``reasons.STOCK_PARAMETERS``)."""

    name: StockReason
    weight: Weight
    facts: Facts
    subject: str | None = None
    km: float | None = None  # to drive before a scan is informative; None: km do not matter
    source: str | None = None
    safety: bool = False

    @property
    def key(self) -> str:
        """Name with subject, for a machine-readable list."""
        return f"{self.name}:{self.subject}" if self.subject else self.name


@dataclass(frozen=True)
class Car:
    """What is known of one vehicle in stock; rows as the store's tables have them."""

    vehicle: Row
    as_of: datetime
    visit: timedelta  # clears, work and scans within this time are one visit
    readings: Sequence[Row]  # of each unit's last reading: latest scan first
    last_scan: Row | None
    last_full_scan_at: datetime | None
    km_now: float | None
    unread: Sequence[str]  # units the model has, not read in the last scan
    clears: Sequence[Row]
    repairs: Sequence[Row]  # with ``units``: control units named by part or notes
    open_faults: Sequence[Row]
    signs: Sequence[Row]  # pending only, in the last scan
    permanent: Sequence[Row]
    on_watch: Sequence[Row]  # each fault's latest attempt that is not proven yet
    gone: Sequence[Row]  # faults seen since purchase, gone without a repair
    drops: Sequence[Row]  # lasting drops of the odometer
    outliers: Sequence[Row] = field(default=())
    records: Sequence[Row] = field(default=())  # a unit's own record beyond the odometer
