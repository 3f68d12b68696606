"""SAE J1939-73 readiness and distances: DM5, DM21, DM26.

The layouts of DM5, DM21 and DM26 fit public J1939-84 test logs; the order of the monitor
bits is from memory and fits the same logs.
"""

from dataclasses import dataclass

from afterclear.errors import TruncatedError
from afterclear.protocols.monitors import Monitor

_LENGTH = 8
_MONITOR_LENGTH = 5
_NO_VALUE_16 = 0xFB00  # J1939-71 ranges, from memory: 0xFB00 and up is no reading
_NO_VALUE_8 = 0xFB

_CONTINUOUS = ("misfire", "fuel_system", "component")  # bits 1-3 of byte 4
_OTHERS = (  # (name, byte of the pair, bit): pair 5-6 supported, pair 7-8 not complete
    ("catalyst", 0, 0),
    ("heated_catalyst", 0, 1),
    ("evaporative", 0, 2),
    ("secondary_air", 0, 3),
    ("ac_refrigerant", 0, 4),
    ("exhaust_gas_sensor", 0, 5),
    ("oxygen_sensor_heater", 0, 6),
    ("egr_vvt", 0, 7),
    ("nmhc_catalyst", 1, 0),
    ("nox_scr", 1, 1),
    ("pm_filter", 1, 2),
    ("boost_pressure", 1, 3),
    ("cold_start_aid", 1, 4),
)


@dataclass(frozen=True, slots=True)
class Readiness:
    """DM5: what the unit stores and which tests have run since the last clear."""

    n_active: int | None
    n_previously_active: int | None
    obd_type: int  # as J1979 PID 1C
    monitors: tuple[Monitor, ...]


@dataclass(frozen=True, slots=True)
class SinceClear:
    """DM21: distances and engine minutes.  None: not available."""

    mil_on_km: int | None
    since_clear_km: int | None
    mil_on_minutes: int | None
    since_clear_minutes: int | None


@dataclass(frozen=True, slots=True)
class ThisTrip:
    """DM26: since this start.  None: not available."""

    seconds_since_start: int | None
    warmups_since_clear: int | None
    monitors: tuple[Monitor, ...]


def _check(payload: bytes, what: str) -> None:
    if len(payload) < _LENGTH:
        raise TruncatedError(what, expected=_LENGTH, received=len(payload))


def _byte(value: int) -> int | None:
    return None if value >= _NO_VALUE_8 else value


def _word(payload: bytes, start: int) -> int | None:
    value = int.from_bytes(payload[start : start + 2], "little")
    return None if value >= _NO_VALUE_16 else value


def monitors_from_bytes(raw: bytes) -> tuple[Monitor, ...]:
    """Decode five monitor bytes (4-8 of DM5 and DM26).

    byte 4            bytes 5-6              bytes 7-8
    low: supported    the others supported   the others not complete
    high: not complete
    """
    if len(raw) != _MONITOR_LENGTH:
        raise TruncatedError("J1939 monitor field", expected=_MONITOR_LENGTH, received=len(raw))
    continuous = tuple(
        Monitor(name, bool(raw[0] >> bit & 1), not raw[0] >> (bit + 4) & 1)
        for bit, name in enumerate(_CONTINUOUS)
    )
    others = tuple(
        Monitor(name, bool(raw[1 + byte] >> bit & 1), not raw[3 + byte] >> bit & 1)
        for name, byte, bit in _OTHERS
    )
    return continuous + others


def readiness_from_payload(payload: bytes) -> Readiness:
    """Decode a DM5."""
    _check(payload, "DM5")
    return Readiness(
        _byte(payload[0]), _byte(payload[1]), payload[2], monitors_from_bytes(payload[3:8])
    )


def since_clear_from_payload(payload: bytes) -> SinceClear:
    """Decode a DM21: four little-endian words, km, km, minutes, minutes."""
    _check(payload, "DM21")
    return SinceClear(*(_word(payload, start) for start in (0, 2, 4, 6)))


def this_trip_from_payload(payload: bytes) -> ThisTrip:
    """Decode a DM26."""
    _check(payload, "DM26")
    return ThisTrip(_word(payload, 0), _byte(payload[2]), monitors_from_bytes(payload[3:8]))
