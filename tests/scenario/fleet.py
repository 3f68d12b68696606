"""The vehicles: who they are.  Makes, number plates and identification numbers are invented."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from tests.scenario.catalogue import MODELS, Model
from tests.scenario.chance import Chance
from tests.scenario.drive import FIRST_DAY

# 49 CFR 565.15: letter values, weights, and the model years' letters
_LETTERS = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", (1, 2, 3, 4, 5, 6, 7, 8, 1, 2, 3, 4, 5, 7, 9, 2, 3,
                                               4, 5, 6, 7, 8, 9), strict=True))  # fmt: skip
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_YEARS = "ABCDEFGHJKLMNPRSTVWXY"  # from 2010


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One row of the vehicle list, and how the vehicle is used."""

    vehicle_id: str
    model: Model
    site: str  # letter of its garage
    year: int
    vin: str
    plate: str
    start_km: float
    pace: tuple[tuple[date, float], ...]  # km a working day, from a day on
    in_service_on: date
    stock_status: str = "in_fleet"
    acquired_on: date | None = None
    counts_km: bool = True  # False: engine hours only


def check_digit(vin: str) -> str:
    """Give the ninth character that makes these 17 valid (49 CFR 565.15 (c))."""
    total = sum(w * (int(c) if c.isdigit() else _LETTERS[c])
                for c, w in zip(vin, _WEIGHTS, strict=True))  # fmt: skip
    return "X" if total % 11 == 10 else str(total % 11)


def vin_of(model: Model, year: int, serial: int) -> str:
    """Make a valid identification number; its maker part 0.. belongs to nobody."""
    body = "".join(c for c in model.name.upper() if c in _LETTERS)[:4].ljust(4, "X")
    bare = f"{model.wmi}{body}A0{_YEARS[year - 2010]}Z{serial:06d}"
    return bare[:8] + check_digit(bare) + bare[9:]


def plate_of(number: int) -> str:
    """Make a plate in an invented form: district, four digits, a digit that checks them."""
    return f"RV-{number:04d}-{sum(int(d) * w for d, w in zip(f'{number:04d}', (7, 3, 1, 9), strict=True)) % 10}"  # noqa: E501


# first and last number, model, garage, km a working day from and to
_GROUPS = (
    ("M", 101, 108, "Pellick", "A", 40, 70),
    ("M", 109, 116, "Lodderan", "A", 45, 80),
    ("P", 201, 210, "Pellick", "B", 70, 105),
    ("P", 211, 218, "Lodderan", "B", 80, 115),
    ("T", 301, 302, "Lodderan", "C", 60, 85),
    ("T", 303, 305, "Stoorn", "C", 110, 160),
    ("T", 306, 306, "Lodderan", "C", 60, 85),
    ("T", 307, 309, "Stoorn", "C", 110, 160),
    ("T", 310, 312, "Lodderan", "C", 60, 85),
    ("H", 401, 404, "Mereska", "D", 40, 70),
    ("H", 405, 407, "Finnoway", "D", 40, 60),
)


def _ordinary(letter: str, number: int, model: Model, site: str, pace: tuple[int, int]) -> Vehicle:
    chance = Chance("vehicle", f"{letter}-{number}")
    year = chance.whole(2018, 2023)
    daily = chance.between(*pace)
    start = daily * 280 * (2024.75 - year) * chance.between(0.8, 1.1)
    return Vehicle(
        f"{letter}-{number}",
        model,
        site,
        year,
        vin_of(model, year, number * 137),
        plate_of(number * 7 + 112),
        start,
        ((FIRST_DAY, daily),),
        date(year, chance.whole(2, 11), chance.whole(1, 28)),
    )


def _yard(number: int, model: str, year: int, km: float, bought: date) -> Vehicle:
    """Give a car on the yard: bought, then moved a little."""
    chance = Chance("vehicle", f"Y-{number}")
    chosen = MODELS[model]
    return Vehicle(
        f"Y-{number}",
        chosen,
        "D",
        year,
        vin_of(chosen, year, number * 211),
        plate_of(number * 7 + 96),
        km,
        ((FIRST_DAY, chance.between(38, 60)), (bought + timedelta(days=3), 2.5)),
        date(year, chance.whole(2, 11), chance.whole(1, 28)),
        "in_stock",
        bought,
    )


_YARD = (
    _yard(501, "Pellick", 2019, 88000, date(2026, 9, 14)),
    _yard(502, "Finnoway", 2020, 61000, date(2026, 9, 21)),
    _yard(503, "Pellick", 2018, 104000, date(2026, 8, 10)),
    _yard(504, "Finnoway", 2018, 121000, date(2026, 7, 20)),
    _yard(505, "Finnoway", 2021, 48000, date(2026, 8, 24)),
    _yard(506, "Mereska", 2021, 57000, date(2026, 6, 15)),
    _yard(507, "Finnoway", 2019, 73000, date(2026, 10, 5)),
    _yard(508, "Pellick", 2020, 69000, date(2026, 10, 12)),
    _yard(509, "Finnoway", 2019, 82000, date(2026, 5, 11)),
)


def fleet() -> dict[str, Vehicle]:
    """Give every vehicle by its number, in the list's order."""
    listed = [
        _ordinary(letter, number, MODELS[model], site, (low, high))
        for letter, first, last, model, site, low, high in _GROUPS
        for number in range(first, last + 1)
    ]
    known = {v.vehicle_id: v for v in (*listed, *_YARD)}
    for vehicle_id, change in _changes(known).items():
        known[vehicle_id] = replace(known[vehicle_id], **change)
    return known


def _changes(known: dict[str, Vehicle]) -> dict[str, dict[str, Any]]:
    """Say what the stories need to be otherwise."""
    new = known["P-206"]
    return {
        "M-108": {"stock_status": "sold", "pace": (*known["M-108"].pace, (date(2025, 8, 20), 0.0))},
        "P-206": {
            "plate": known["M-108"].plate,
            "year": 2025,
            "vin": vin_of(new.model, 2025, 206 * 137),
            "in_service_on": date(2025, 9, 10),
            "start_km": 14.0,
            "pace": ((FIRST_DAY, 0.0), (date(2025, 9, 10), 92.0)),
        },
        "T-305": {"counts_km": False, "pace": ((FIRST_DAY, 74.0),)},
        "H-403": {"pace": (*known["H-403"].pace, (date(2026, 10, 8), 0.0))},
    }
