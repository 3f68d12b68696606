"""How long things are kept; every run reads this, few need the code that applies it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Retention:
    """How many days things are kept; None: for ever."""

    archive_days: float | None = None
    refused_rows_days: float | None = None
    superseded_days: float | None = None
    runs_days: float | None = None
    trail_days: float | None = None
    page_sums_days: float | None = None
