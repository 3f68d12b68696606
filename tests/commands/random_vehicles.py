"""Random lives of vehicles: scans, faults, clears and work, and how each reaches the store."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from hypothesis import strategies as st

BEGIN: Final = datetime(2025, 3, 1, 8, tzinfo=UTC)
SPAN_DAYS: Final = 240

Row = dict[str, str]

# what a tool may call each control unit; the names of one unit mean the same
_UNITS: Final = (("engine", "ECM"), ("brakes", "ABS"), ("airbag", "SRS"))
_CODES: Final = (  # with the place of the unit that shows it
    ("P0301", 0), ("P1351", 0), ("C0034", 1), ("U0121", 0), ("P0562", 1), ("B0001", 2),
)  # fmt: skip
# a maker's code means what the tool says of it, and tools differ
_DESCRIBED: Final = ("", "aft trim flag", "zeta trim flag")
_PARTS: Final = (("ignition coil", "cylinder_1"), ("wheel speed sensor", "front_right"), ("", ""))
_MAKES: Final = ("Veldrun", "Tarrovane")
_SITES: Final = ("Northquay", "Hollin Yard")
_STATUS: Final = ("", "confirmed", "pending", "permanent")

# what is special about a scan: columns of all its rows
_LOOKS: Final[Mapping[str, Row]] = {
    "plain": {},
    "partial": {"scan_scope": "partial"},
    "silent": {"ecu_response": "no_answer"},
    "active_only": {"memory": "active_only"},
    "counted": {"distance_since_clear_km": "40", "warmups_since_clear": "3"},
    "before_work": {"visit_reason": "pre_repair"},
    "after_work": {"visit_reason": "post_repair"},
    "unready": {"monitors_incomplete": "misfire"},
    "by_hours": {"odometer_km": "", "engine_hours": "900"},
    "odometer_only": {"ecu": "", "code": "", "status": "", "description": ""},
}


@dataclass(frozen=True)
class Fate:
    """When an event comes, in deliveries after its own; None: it does not come again."""

    late: int = 0
    again: int | None = None
    corrected: Row | None = None  # cells that come otherwise the second time
    redated_days: int = 0


FATES: Final[Mapping[str, Fate]] = {
    "on time": Fate(),
    "late": Fate(late=1),
    "very late": Fate(late=3),
    "twice": Fate(again=1),
    "corrected": Fate(again=1, corrected={"odometer_km": "10500", "status": "confirmed"}),
    "reworded": Fate(again=2, corrected={"description": "mid trim flag", "site": "Hollin Yard"}),
    "redated": Fate(again=1, corrected={}, redated_days=25),
    "late and corrected": Fate(late=1, again=2, corrected={"odometer_km": ""}),
}
_ON_TIME_OFTEN: Final = ("on time",) * 5 + tuple(FATES)


@dataclass(frozen=True)
class Event:
    """Rows of one table that happen together, and how they reach the store."""

    table: str
    rows: tuple[Row, ...]
    day: float
    fate: str


# how its tool names a vehicle: until it is listed, and from then on
_NAMES: Final[Mapping[str, tuple[str, str]]] = {
    "number": ("vehicle_id", "vehicle_id"),
    "vin as number": ("vin as number", "vehicle_id"),
    "vin": ("vin", "vin"),
    "vin, then number": ("vin", "vehicle_id"),
    "plate": ("plate", "plate"),
}


@dataclass(frozen=True)
class Vehicle:
    """A vehicle as drawn; ``listed``: the deliveries that bring its row, with the row."""

    number: str
    vin: str
    named: str  # of ``_NAMES``
    listed: Mapping[int, Row]
    events: tuple[Event, ...]

    def owner_in(self, delivery: int) -> Row:
        """Give the cell that says in a delivery whose row it is."""
        unlisted = not self.listed or delivery < min(self.listed)
        name = _NAMES[self.named][0 if unlisted else 1]
        return {
            "vehicle_id": {"vehicle_id": self.number},
            "vin as number": {"vehicle_id": self.vin},
            "vin": {"vin": self.vin},
            "plate": {"plate": self.plate.lower()},
        }[name]

    @property
    def plate(self) -> str:
        """Its plate, which it keeps."""
        return f"PX {self.number}"


_FATE: Final = st.sampled_from(_ON_TIME_OFTEN)
# days since the one before, what is special, which names and words the tool uses, its fate
_SCANS: Final = st.tuples(
    st.integers(0, 25),
    st.sampled_from(("plain", "plain", "plain", *_LOOKS)),
    st.integers(0, 3),
    st.sampled_from(_DESCRIBED),
    _FATE,
)
# code, first scan that shows it, number of scans, status
_FAULTS: Final = st.tuples(
    st.integers(0, len(_CODES) - 1), st.integers(0, 6), st.integers(1, 5), st.sampled_from(_STATUS)
)
# the scan it follows, the unit (3: all of them), hours after, its fate
_CLEARS: Final = st.tuples(st.integers(0, 8), st.integers(0, 3), st.integers(0, 40), _FATE)
# the scan it follows, hours after, the code aimed at (6: none), the part, cost, action, its fate
_WORK: Final = st.tuples(
    st.integers(0, 8),
    st.integers(0, 40),
    st.integers(0, len(_CODES)),
    st.integers(0, 2),
    st.sampled_from(("", "80")),
    st.sampled_from(("replace", "repair", "inspect")),
    _FATE,
)
# deliveries that bring the vehicle's row and a changed one, how tools name it, make, status
_LISTED: Final = st.tuples(
    st.sampled_from((0, 1, 2, None)),
    st.sampled_from((None, None, 1, 2, 3)),
    st.integers(0, 4),
    st.integers(0, 1),
    st.sampled_from(("in_fleet", "in_fleet", "in_stock", "sold")),
)
# vehicles that fall silent are those an incremental analysis must not forget
LIVES: Final = st.tuples(
    st.sampled_from((0, 20, 90)),  # km a day
    st.sampled_from((0, 0, 130)),  # days before the first scan
    st.lists(_SCANS, min_size=2, max_size=9),
    st.lists(_FAULTS, max_size=3),
    st.lists(_CLEARS, max_size=2),
    st.lists(_WORK, max_size=3),
    _LISTED,
)
_Scan = tuple[int, str, int, str, str]
_Fault = tuple[int, int, int, str]
_Work = tuple[int, int, int, int, str, str, str]
Life = tuple[
    int, int, list[_Scan], list[_Fault], list[tuple[int, int, int, str]], list[_Work],
    tuple[int | None, int | None, int, int, str],
]  # fmt: skip


def vehicle_of(number: int, life: Life, later: int, names: Sequence[str]) -> Vehicle:
    """Tell of one vehicle: its scans, the faults over them, clears, work and list rows."""
    km_per_day, first_day, scans, faults, clears, works, listing = life
    days = _days([first_day + later, *(gap for gap, *_ in scans)])[1:]
    events = [
        _scan(f"S{number}-{place}", days[place], 10_000 + km_per_day * days[place], scan, there)
        for place, scan in enumerate(scans)
        for there in [[f for f in faults if f[1] <= place < f[1] + f[2]]]
    ]
    for place, unit, hours, fate in clears:
        day = days[place % len(days)] + hours / 24
        events.append(_clear(day, 10_000 + km_per_day * day, unit, fate))
    for place, work in enumerate(works):
        day = days[work[0] % len(days)] + work[1] / 24
        events.append(_repair(f"R{number}-{place}", day, 10_000 + km_per_day * day, work))
    first, second, name, make, status = listing
    named = names[name % len(names)]
    # numbers far apart: one that is nearly a listed one is refused until it is listed itself
    vin = f"ZZZ1TEST0AFT{11_111 * number:05d}"
    told = Vehicle(f"V{number}", vin, named, {}, tuple(events))
    row = {"vin": told.vin, "make": _MAKES[make], "site": _SITES[number % 2],
           "stock_status": status}  # fmt: skip
    if "plate" in names:
        row["plate"] = told.plate
    listed = {} if first is None else {first: row}
    if first is not None and second is not None:
        listed |= {second: row | {"make": _MAKES[0], "site": _SITES[0]}}
    return replace(told, listed=listed)


def _scan(
    scan_id: str,
    day: float,
    km: float,
    scan: _Scan,
    faults: Sequence[_Fault],
) -> Event:
    """Tell of a scan of all units, with the faults that are there."""
    _, look, names, words, fate = scan
    head = {"scan_id": scan_id, "scanned_at": _told(day), "odometer_km": f"{km:.0f}"}
    special = dict(_LOOKS[look])
    rows = []
    for place, called in enumerate(_UNITS):
        shown = {
            _CODES[code][0]: status for code, _, _, status in faults if _CODES[code][1] == place
        }
        for code, status in (shown or {"": ""}).items():
            row = {"scan_scope": "full", "ecu": called[(names >> place) & 1], "code": code}
            row |= {"status": status, "description": words if code else ""}
            rows.append(head | row | special)
    if look == "silent":
        rows = [row | {"code": "", "status": "", "description": ""} for row in rows]
    once = rows[:1] if look in ("silent", "odometer_only") else rows
    return Event("scans", tuple(once), day, fate)


def _clear(day: float, km: float, unit: int, fate: str) -> Event:
    ecu = _UNITS[unit][0] if unit < len(_UNITS) else ""
    row = {"cleared_at": _told(day), "odometer_km": f"{km:.0f}", "ecu": ecu}
    return Event("clears", (row,), day, fate)


def _repair(repair_id: str, day: float, km: float, work: _Work) -> Event:
    _, _, code, part, cost, action, fate = work
    family, position = _PARTS[part]
    row = {
        "repair_id": repair_id, "repaired_at": _told(day), "odometer_km": f"{km:.0f}",
        "site": _SITES[part % 2], "technician": "Ottoline Vance", "action": action,
        "codes": _CODES[code][0] if code < len(_CODES) else "",
        "part_family": family, "position": position, "part_brand": "Brellow" if family else "",
        "part_cost": cost, "currency": "EUR" if cost else "", "removal_reason": "failure",
    }  # fmt: skip
    return Event("repairs", (row,), day, fate)


def deliveries_of(event: Event, n: int) -> Iterable[tuple[int, list[Row]]]:
    """Give the deliveries an event comes in, with its rows as they then are."""
    fate = FATES[event.fate]
    on = min(int(event.day * n / SPAN_DAYS) + fate.late, n - 1)
    yield on, list(event.rows)
    if fate.again is not None and on + fate.again < n:
        yield on + fate.again, [_mended(row, event, fate) for row in event.rows]


def _mended(row: Row, event: Event, fate: Fate) -> Row:
    """Correct a row, but not what says which row it is."""
    coded = bool(row.get("code"))
    cells = {
        name: cell
        for name, cell in (fate.corrected or {}).items()
        if name in row and (coded or name not in ("status", "description"))
    }
    dated = {"scans": "scanned_at", "clears": "cleared_at", "repairs": "repaired_at"}[event.table]
    if fate.redated_days:
        cells[dated] = _told(event.day + fate.redated_days)
    return row | cells


def _days(gaps: Sequence[int]) -> list[int]:
    days, now = [], 0
    for gap in gaps:
        now += gap
        days.append(now)
    return days


def at(day: float) -> datetime:
    """Give the instant of a day since the beginning."""
    return BEGIN + timedelta(days=day)


def _told(day: float) -> str:
    return at(day).isoformat()
