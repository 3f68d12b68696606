"""The settings of histories, in a module that imports none of the building."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class HistoryRules:
    """The settings the rules use; meanings are in config.py."""

    as_of: datetime
    visit_hours: float
    visit_km: float
    presume_clear_at_repair: bool
    max_km_per_day: float
    assumed_km_per_day: float
    km_per_engine_hour: float
    extrapolate_days: float
    counter_slack_km: float
