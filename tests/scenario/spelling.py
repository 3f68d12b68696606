"""How each site writes the same facts: its columns, units, times and spellings."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

from tests.scenario.book import Clear, Line, Order, Reading, Scan
from tests.scenario.catalogue import Sign
from tests.scenario.fleet import Vehicle
from tests.scenario.sites import SITES

KM_PER_MILE = 1.609344
Row = dict[str, str]

VEHICLE_COLUMNS = (
    "vehicle_id", "vin", "plate", "make", "model", "model_year", "powertrain", "site",
    "in_service_on", "stock_status", "acquired_on",
)  # fmt: skip
SCAN_COLUMNS = {
    "A": ("scan_id", "vehicle_id", "scanned_at", "odometer_km", "scan_scope", "ecu",
          "ecu_response", "code", "status", "description", "occurrences", "first_seen_km",
          "distance_since_clear_km", "warmups_since_clear", "monitors_incomplete", "lamps",
          "visit_reason", "tester"),
    "B": ("vehicle_id", "scanned_at", "odometer_mi", "scan_id", "visit_reason", "scan_scope",
          "ecu", "code", "failure_type", "status", "ecu_response", "distance_since_clear_km",
          "warmups_since_clear", "monitors_incomplete"),
    "C": ("scan_id", "vehicle_id", "scanned_at", "odometer_km", "engine_hours", "scan_scope",
          "memory", "ecu", "ecu_response", "code", "status", "description", "occurrences",
          "distance_since_clear_km", "visit_reason"),
    "D": ("scan_id", "vehicle_id", "scanned_at", "odometer_km", "scan_scope", "ecu",
          "ecu_response", "code", "failure_type", "status", "occurrences", "first_seen_km",
          "ecu_vin", "distance_since_clear_km", "warmups_since_clear", "monitors_incomplete",
          "lamps", "visit_reason"),
}  # fmt: skip
REPAIR_COLUMNS = (
    "repair_id", "vehicle_id", "repaired_at", "odometer_km", "site", "technician", "codes",
    "action", "part_number", "part_brand", "part_grade", "part_family", "position", "quantity",
    "part_cost", "labour_cost", "currency", "removal_reason", "notes",
)  # fmt: skip
CLEAR_COLUMNS = ("vehicle_id", "cleared_at", "odometer_km", "ecu", "reason")

_BRIEF = {"front left": "FL", "front right": "FR", "rear left": "RL", "rear right": "RR"}
_TURNED = {"front left": "left front", "front right": "right front", "rear left": "left rear",
           "rear right": "right rear"}  # fmt: skip
_POSITIONS: dict[str, dict[str, str]] = {"A": {}, "B": _BRIEF, "C": _TURNED, "D": {}}


def columns_in_unit(columns: tuple[str, ...], letter: str) -> tuple[str, ...]:
    """Give the columns with the odometer in the site's unit."""
    return tuple("odometer_mi" if c == "odometer_km" and letter == "B" else c for c in columns)


def time_of(at: datetime, letter: str) -> str:
    """Write an instant: local with its offset (A), local without (C), in UTC with Z (others)."""
    if letter not in "AC":
        return f"{at.replace(tzinfo=None).isoformat()}Z"
    local = at.astimezone(timezone(timedelta(hours=2 if _summer_time(at) else 1)))
    return local.isoformat() if letter == "A" else f"{local:%Y-%m-%d %H:%M:%S}"


def _summer_time(at: datetime) -> bool:
    """Tell summer time by the European rule: last Sundays of March and October, 01:00 UTC."""
    ends = []
    for month in (3, 10):
        last = datetime(at.year, month, 31, 1, tzinfo=UTC)
        ends.append(last - timedelta(days=(last.weekday() + 1) % 7))
    return ends[0] <= at < ends[1]


def distance_of(km: float | None, letter: str) -> str:
    """Write a reading in the site's unit, whole, empty where none was taken."""
    if km is None:
        return ""
    return str(round(km / KM_PER_MILE if letter == "B" else km))


def code_of(sign: Sign, letter: str) -> str:
    """Write a code as the site's tester prints it."""
    if letter in "BD":
        return sign.code.lower() if letter == "B" and sign.code[0] in "PCBU" else sign.code
    mark = "-" if letter == "A" else ":"
    return f"{sign.code}{mark}{sign.failure_type}" if sign.failure_type else sign.code


def listed_code(sign: Sign, letter: str) -> str:
    """Write a code in a work order, with its failure type if the site's codes carry it."""
    bare = code_of(sign, letter)
    return f"{bare}-{sign.failure_type}" if letter == "D" and sign.failure_type else bare


def vehicle_row(vehicle: Vehicle) -> Row:
    """Write one vehicle."""
    return {
        "vehicle_id": vehicle.vehicle_id,
        "vin": vehicle.vin,
        "plate": vehicle.plate,
        "make": vehicle.model.make,
        "model": vehicle.model.name,
        "model_year": str(vehicle.year),
        "powertrain": vehicle.model.powertrain,
        "site": SITES[vehicle.site].name,
        "in_service_on": vehicle.in_service_on.isoformat(),
        "stock_status": vehicle.stock_status,
        "acquired_on": vehicle.acquired_on.isoformat() if vehicle.acquired_on else "",
    }


def scan_rows(scan: Scan) -> Iterator[Row]:
    """Write one scan, a row for each reading, in its site's columns."""
    letter = scan.site
    head = {
        "scan_id": scan.scan_id,
        "vehicle_id": scan.vehicle_id,
        "scanned_at": time_of(scan.at, letter),
        "odometer_km": distance_of(scan.km, letter),
        "odometer_mi": distance_of(scan.km, letter),
        "engine_hours": "" if scan.hours is None else f"{scan.hours:.1f}",
        "scan_scope": "full" if scan.full else "partial",
        "memory": "" if scan.memory == "stored" else scan.memory,
        "lamps": scan.lamps,
        "visit_reason": scan.reason,
        "tester": "T2" if scan.vehicle_id[-1] in "02468" else "T1",  # not in the plain layout
    }
    for reading in scan.rows:
        row = head | _reading(reading, letter)
        yield {name: row[name] for name in SCAN_COLUMNS[letter]}


def _reading(reading: Reading, letter: str) -> Row:
    sign = reading.sign
    return {
        "ecu": reading.ecu,
        "ecu_response": ("answered" if letter in "AD" else "") if reading.answered else "no_answer",
        "code": code_of(sign, letter) if sign else "",
        "failure_type": sign.failure_type if sign else "",
        "status": reading.status,
        "description": sign.words if sign and (letter == "A" or ":" in sign.code) else "",
        "occurrences": _text(reading.occurrences),
        "first_seen_km": _text(reading.first_seen_km),
        "distance_since_clear_km": _text(reading.distance_km),
        "warmups_since_clear": _text(reading.warmups),
        "monitors_incomplete": reading.monitors,
        "ecu_vin": reading.ecu_vin if reading.answered else "",
    }


def _text(value: int | None) -> str:
    return "" if value is None else str(value)


def repair_rows(order: Order) -> Iterator[Row]:
    """Write one work order, a row for each part; the labour stands on the first."""
    letter = order.site
    for number, line in enumerate(order.lines):
        yield {
            "repair_id": order.repair_id,
            "vehicle_id": order.vehicle_id,
            "repaired_at": time_of(order.at, letter),
            columns_in_unit(("odometer_km",), letter)[0]: distance_of(order.km, letter),
            "site": SITES[letter].name,
            "technician": order.technician,
            "codes": " ".join(listed_code(sign, letter) for sign in order.codes),
            **_line(line, letter),
            "labour_cost": f"{order.labour:.2f}" if number == 0 else "",
            "currency": SITES[letter].currency,
            "removal_reason": line.removal,
            "notes": order.notes if number == 0 else "",
        }


def _line(line: Line, letter: str) -> Row:
    return {
        "action": line.action,
        "part_number": line.number,
        "part_brand": line.brand,
        "part_grade": line.grade,
        "part_family": line.family,
        "position": _POSITIONS[letter].get(line.position, line.position),
        "quantity": str(line.quantity) if line.number else "",
        "part_cost": f"{line.cost:.2f}" if line.number else "",
    }


def clear_row(clear: Clear) -> Row:
    """Write one clear; this list is kept for all sites together, in UTC and km."""
    return {
        "vehicle_id": clear.vehicle_id,
        "cleared_at": time_of(clear.at, "D"),
        "odometer_km": distance_of(clear.km, "D"),
        "ecu": clear.ecu,
        "reason": clear.reason,
    }
