"""Units a source may use, and each one's value in the plain layout's unit."""

from afterclear.plain import KM_PER_MILE

# unit -> (what the plain column counts, how many of those one is)
UNITS: dict[str, tuple[str, float]] = {
    "km": ("km", 1.0),
    "mi": ("km", KM_PER_MILE),
    "m": ("km", 0.001),
    "hm": ("km", 0.1),
    "1000 km": ("km", 1000.0),
    "h": ("h", 1.0),
    "min": ("h", 1 / 60),
    "s": ("h", 1 / 3600),
    "cell": ("", 1.0),  # the unit is in the cell
}

# How units are written beside a number, without dots and case (common practice, no source).
WRITTEN: dict[str, str] = {
    "km": "km",
    "kms": "km",
    "kilometer": "km",
    "kilometre": "km",
    "mi": "mi",
    "mls": "mi",
    "mile": "mi",
    "miles": "mi",
    "m": "m",
    "hm": "hm",
    "tkm": "1000 km",
    "h": "h",
    "hr": "h",
    "hrs": "h",
    "std": "h",
    "hours": "h",
    "bh": "h",  # Betriebsstunden
    "mth": "h",  # motogodziny
    "mtg": "h",
    "min": "min",
    "s": "s",
}


def counted_in(column: str) -> str:
    """Name the unit of a plain column: km, h, or nothing."""
    if column.endswith("_km"):
        return "km"
    return "h" if column.endswith("_hours") else ""


def unit_fits(unit: str, column: str) -> bool:
    """Whether a unit counts what the plain column counts."""
    measure = counted_in(column)
    return bool(measure) if unit == "cell" else UNITS[unit][0] == measure


def factor(written: str, column: str) -> float | None:
    """Give how many of the column's unit a written unit is; None: it counts something else."""
    unit = WRITTEN.get(written.lower().rstrip("."), "")
    return UNITS[unit][1] if unit and UNITS[unit][0] == counted_in(column) else None
