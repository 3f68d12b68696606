"""What a J1939 recording says about faults: frames in, one reading per unit and scan out.

A bus also carries noise, injected traffic and half messages, and a code that nobody sent is worse
than one missed.  So a fault message counts only if

1. its address exists: one of its identifiers comes at least twice in the stretch of traffic. In a
   stretch under two seconds once is enough, because a once-a-second message need not repeat;
2. it came at least twice byte for byte, or it keeps to the standard in every bit: no lamp pair
   with the reserved value, no reserved failure mode, filler after the last whole code;
3. no code in it names SPN 0 (no parameter, from memory);
4. readiness and counters (DM5, DM21, DM26) were asked for within the five seconds before.

A single frame is 6 to 8 bytes: a farm tractor's recordings (tests/readers/data) send 6.  The load's
note counts what these rules leave out.
"""

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import polars as pl

from afterclear.errors import DecodeError
from afterclear.protocols import j1939, j1939_faults, j1939_readiness
from afterclear.protocols.j1939_transport import Outcome, Transfer, Transport
from afterclear.protocols.monitors import incomplete_names
from afterclear.readers.bus.unit_readings import Clear, CodeSeen, Readings, UnitReading

SHORT_STRETCH_S = 2.0  # two periods of DM1
ANSWER_WITHIN_S = 5.0  # own judgement: erasing takes units longer than the standard's 0.2 s
SINGLE_FRAME_HEX = (12, 16)  # 6 to 8 bytes

_COUNTERS = (j1939.DM5_READINESS, j1939.DM21_SINCE_CLEAR, j1939.DM26_THIS_TRIP)
_CLEARS = {
    j1939.DM3_CLEAR_PREVIOUSLY_ACTIVE: "previously active codes erased (DM3)",
    j1939.DM11_CLEAR_ACTIVE: "active codes erased (DM11)",
}
# Active and previously active codes together: nothing stored is missing.
_WHOLE_MEMORY = {j1939.DM1_ACTIVE, j1939.DM2_PREVIOUSLY_ACTIVE}
_ASKED = (*_COUNTERS, *_CLEARS)
_DISTANCES = {
    j1939.HIGH_RESOLUTION_DISTANCE: j1939.high_resolution_distance_km,
    j1939.TOTAL_DISTANCE: j1939.total_distance_km,
}
# Which unit's distance and hours are taken first: the cluster shows the odometer, then the engine.
_TRUSTED_FIRST = (23, 0)


@dataclass(frozen=True, slots=True)
class _Message:
    """One fault message as received."""

    scan: int
    stretch: int
    source_address: int
    pgn: int
    payload: bytes
    at: float
    line: int
    is_single: bool  # one frame, not transported


def with_j1939_columns(table: pl.DataFrame) -> pl.DataFrame:
    """Add ``pgn``, ``sa`` and ``destination`` (255: everybody) to the 29-bit frames."""
    group = (pl.col("id") // 256) & 0x3FFFF
    is_addressed = (group // 256) & 0xFF < 240  # noqa: PLR2004 - PDU1, SAE J1939-21
    is_classic = pl.col("data").str.len_bytes() <= 2 * j1939.FRAME_LENGTH
    return table.filter(pl.col("extended") & is_classic).with_columns(
        pl.when(is_addressed).then(group & 0x3FF00).otherwise(group).alias("pgn"),
        (pl.col("id") & 0xFF).alias("sa"),
        pl.when(is_addressed).then(group & 0xFF).otherwise(255).alias("destination"),
    )


def acknowledged_clears(frames: pl.DataFrame) -> list[Clear]:
    """Find the requests for DM3 and DM11 that a unit confirmed as done."""
    asked = _requests(frames)
    clears = []
    answers = frames.filter(
        (pl.col("pgn") == j1939.ACKNOWLEDGEMENT)
        & pl.col("data").str.starts_with("00")
        & (pl.col("data").str.len_bytes() == 2 * j1939.FRAME_LENGTH)
    )
    for line, at, sa, data in answers.select("line", "at", "sa", "data").iter_rows():
        answer = j1939.acknowledgement_from_payload(bytes.fromhex(data))
        if answer.pgn in _CLEARS and _was_asked(asked, answer.pgn, sa, line, at):
            clears.append(Clear(at, line, j1939.unit_label(sa), _CLEARS[answer.pgn]))
    return clears


# by group number: line, time, asked address, in the order of lines
_Requests = dict[int, list[tuple[int, float, int]]]


def _requests(frames: pl.DataFrame) -> _Requests:
    wanted = [pgn.to_bytes(3, "little").hex().upper() for pgn in _ASKED]
    asked: _Requests = defaultdict(list)
    found = frames.filter(
        (pl.col("pgn") == j1939.REQUEST) & pl.col("data").str.slice(0, 6).is_in(wanted)
    )
    for line, at, to, data in found.select("line", "at", "destination", "data").iter_rows():
        asked[j1939.requested_pgn(bytes.fromhex(data))].append((line, at, to))
    return asked


def _was_asked(asked: _Requests, pgn: int, sa: int, line: int, at: float) -> bool:
    requests = asked.get(pgn, [])
    for _, asked_at, to in reversed(requests[: bisect_left(requests, (line,))]):
        if at - asked_at > ANSWER_WITHIN_S:
            return False
        if to in (sa, j1939.TO_EVERYBODY):
            return True
    return False


def take_j1939(
    frames: pl.DataFrame,
    methods: Mapping[int, int],
    readings: Readings,
    *,
    is_timed: bool = True,
) -> None:
    """Add all scans of a recording to the readings.

    ``frames``: 29-bit frames with ``with_j1939_columns`` and the columns ``stretch`` and ``scan``
    (whole numbers).  ``methods``: old SPN conversion method by source address. Not ``is_timed``:
    the length of a stretch is not known, so none counts as short.
    """
    repeated = _repeated_identifiers(frames, SHORT_STRETCH_S if is_timed else 0.0)
    somebody = {(stretch, identifier & 0xFF) for stretch, identifier in repeated}
    messages = list(_single_frames(frames))
    for transfer, scan, stretch, at, line in _transfers(frames, readings.counts):
        sa, pgn = transfer.source_address, transfer.pgn
        if pgn in j1939_faults.STATUS_OF_PGN:
            messages.append(
                _Message(scan, stretch, sa, pgn, transfer.payload, at, line, is_single=False)
            )
        elif pgn == j1939.VEHICLE_IDENTIFICATION and (
            vin := j1939.vin_from_payload(transfer.payload)
        ):
            readings.take_vin(j1939.unit_label(sa), vin, line)
    sights = _take_fault_messages(messages, somebody, methods, readings)
    _keep_sights(sights, readings, is_timed=is_timed)
    _take_counters(frames, readings)
    readings.odometer_km |= _take_total(frames, repeated, _KM, readings, readings.last_km)
    readings.engine_hours |= _take_total(frames, repeated, _HOURS, readings)


def _repeated_identifiers(frames: pl.DataFrame, short_s: float) -> set[tuple[int, int]]:
    """List (stretch, identifier) whose address exists: rule 1 of the module's docstring."""
    seconds = pl.col("at").max() - pl.col("at").min()
    lasting = frames.group_by("stretch").agg(seconds.alias("seconds"))
    counted = frames.group_by("stretch", "id").len().join(lasting, on="stretch")
    counted = counted.filter((pl.col("len") > 1) | (pl.col("seconds") < short_s))
    return set(counted.select("stretch", "id").iter_rows())


def _single_frames(frames: pl.DataFrame) -> Iterator[_Message]:
    found = frames.filter(
        pl.col("pgn").is_in(list(j1939_faults.STATUS_OF_PGN))
        & pl.col("data").str.len_bytes().is_between(*SINGLE_FRAME_HEX)
    )
    columns = ("scan", "stretch", "sa", "pgn", "data", "at", "line")
    for scan, stretch, sa, pgn, data, at, line in found.select(columns).iter_rows():
        yield _Message(scan, stretch, sa, pgn, bytes.fromhex(data), at, line, is_single=True)


def _transfers(
    frames: pl.DataFrame, counts: Counter[str]
) -> Iterator[tuple[Transfer, int, int, float, int]]:
    """Put transported messages together, each bus for itself; yield the whole ones."""
    transport = frames.filter(pl.col("pgn").is_in([j1939.TRANSPORT_CONTROL, j1939.TRANSPORT_DATA]))
    buses: dict[str, Transport] = defaultdict(Transport)
    columns = ("at", "id", "data", "bus", "scan", "stretch", "line")
    for at, identifier, data, bus, scan, stretch, line in transport.select(columns).iter_rows():
        frame_id = j1939.id_from_int(identifier)
        for transfer in buses[bus].feed(at, frame_id, bytes.fromhex(data)):
            counts[f"{transfer.outcome} transfers"] += 1
            if transfer.outcome is Outcome.COMPLETE:
                yield transfer, scan, stretch, at, line
    for bus_transport in buses.values():
        counts[f"{Outcome.INCOMPLETE} transfers"] += len(bus_transport.close())


def _take_fault_messages(
    messages: list[_Message],
    somebody: set[tuple[int, int]],
    methods: Mapping[int, int],
    readings: Readings,
) -> dict[tuple[int, int], "_Sights"]:
    times = Counter((m.stretch, m.source_address, m.pgn, m.payload) for m in messages)
    readings.counts["fault messages"] += len(messages)
    heard: dict[tuple[int, int], set[int]] = defaultdict(set)
    sights: dict[tuple[int, int], _Sights] = defaultdict(_Sights)  # by scan and unit
    for message in sorted(messages, key=lambda m: m.line):
        sa = message.source_address
        n = times[message.stretch, sa, message.pgn, message.payload]
        faults = _believed(message, methods.get(sa), is_repeated=n > 1)
        if faults is None or sa in j1939.NO_UNIT or (message.stretch, sa) not in somebody:
            readings.counts["fault messages set aside"] += 1
            continue
        unit = readings.unit(message.scan, j1939.unit_label(sa), message.line)
        _add_to_unit(unit, message, faults)
        heard[message.scan, sa].add(message.pgn)
        unit.is_whole_memory = heard[message.scan, sa] >= _WHOLE_MEMORY
        if message.pgn == j1939.DM1_ACTIVE:
            sights[message.scan, sa].take({d.code for d in faults.dtcs if d.code}, message.at)
    return sights


@dataclass(slots=True)
class _Sights:
    """When a unit reported each active code: the first time, the last, and how often."""

    n_told: int = 0
    last_at: float = 0.0
    codes: dict[str, tuple[float, float, int]] = field(default_factory=dict)

    def take(self, codes: set[str], at: float) -> None:
        self.n_told += 1
        self.last_at = at
        for code in codes:
            first, _, n = self.codes.get(code, (at, at, 0))
            self.codes[code] = (first, at, n + 1)


def _keep_sights(
    sights: Mapping[tuple[int, int], _Sights], readings: Readings, *, is_timed: bool
) -> None:
    """Keep the first and the last time of codes that came and went within a scan.

    A code that was reported was present, so it stays in the scan; the note says how many went.
    """
    for (scan, sa), seen in sights.items():
        unit = readings.units[scan, j1939.unit_label(sa)]
        for code, (first, last, n) in seen.codes.items():
            is_gone = n < seen.n_told and last < seen.last_at
            readings.counts["active codes gone again by the unit's last message"] += is_gone
            if n < seen.n_told and is_timed:
                unit.codes[code, None, ""].sight = (first, last)


# A unit repeats its message every second: most payloads of a recording are the same few.
_decoded = lru_cache(maxsize=1024)(j1939_faults.fault_message_from_payload)


def _believed(
    message: _Message, method: int | None, *, is_repeated: bool
) -> j1939_faults.FaultMessage | None:
    """Decode a message that keeps rules 2 and 3 of the module's head; None: it does not."""
    try:
        faults = _decoded(message.payload, method)
    except DecodeError:
        return None
    if any(dtc.spn == 0 for dtc in faults.dtcs):
        return None
    return faults if is_repeated or _is_strict(faults, is_single=message.is_single) else None


def _is_strict(said: j1939_faults.FaultMessage, *, is_single: bool) -> bool:
    is_reserved = any(lamp.state is j1939_faults.LampState.RESERVED for lamp in said.lamps) or any(
        dtc.fmi in j1939_faults.RESERVED_FMI for dtc in said.dtcs
    )
    is_filled = set(said.tail) in (set(), {0xFF}, {0x00}) if is_single else not said.tail
    return is_filled and not is_reserved


def _add_to_unit(unit: UnitReading, message: _Message, said: j1939_faults.FaultMessage) -> None:
    unit.lamps.update(said.lit)
    status = j1939_faults.STATUS_OF_PGN[message.pgn]
    for dtc in said.dtcs:
        if dtc.code is None:
            unit.unnamed.setdefault(dtc.raw.hex(" ").upper(), message.line)
        else:
            unit.add(CodeSeen(dtc.code, None, status, dtc.occurrences, message.line))


def _take_counters(frames: pl.DataFrame, readings: Readings) -> None:
    """Add DM5, DM21 and DM26 to the readings they belong to: rule 4 of the module's head."""
    asked = _requests(frames)
    found = frames.filter(
        pl.col("pgn").is_in(list(_COUNTERS))
        & (pl.col("data").str.len_bytes() == 2 * j1939.FRAME_LENGTH)
    )
    columns = ("line", "at", "scan", "sa", "pgn", "data")
    for line, at, scan, sa, pgn, data in found.select(columns).iter_rows():
        if not _was_asked(asked, pgn, sa, line, at):
            readings.counts["answers nobody asked for"] += 1
        elif (unit := readings.units.get((scan, j1939.unit_label(sa)))) is not None:
            _add_counters(unit, pgn, bytes.fromhex(data))


def _add_counters(unit: UnitReading, pgn: int, payload: bytes) -> None:
    match pgn:
        case j1939.DM5_READINESS:
            monitors = j1939_readiness.readiness_from_payload(payload).monitors
            unit.monitors_incomplete = incomplete_names(monitors)
        case j1939.DM21_SINCE_CLEAR:
            since = j1939_readiness.since_clear_from_payload(payload)
            unit.since_clear_km = since.since_clear_km
        case j1939.DM26_THIS_TRIP:
            trip = j1939_readiness.this_trip_from_payload(payload)
            unit.warmups_since_clear = trip.warmups_since_clear


@dataclass(frozen=True, slots=True)
class _Total:
    """A running total of the bus, and how fast it can grow."""

    name: str
    decoders: Mapping[int, Callable[[bytes], float | None]]
    an_hour: float  # most it grows in an hour
    slack: float  # and in addition


_KM = _Total("distances", _DISTANCES, 200.0, 50.0)  # own judgement: no truck drives faster
_HOURS = _Total("engine hours", {j1939.ENGINE_HOURS: j1939.engine_hours}, 1.1, 1.0)


@dataclass(frozen=True, slots=True)
class _Heard:
    """A total as one unit reported it."""

    scan: int
    at: float
    line: int
    rank: tuple[int, int, int]  # the unit trusted most comes first
    value: float


def _take_total(
    frames: pl.DataFrame,
    repeated: set[tuple[int, int]],
    total: _Total,
    readings: Readings,
    at_last: dict[int, float] | None = None,
) -> dict[int, float]:
    """Take each scan's first reading of a running total from the unit trusted most for it.

    A cluster may send a placeholder of some tens of km for minutes before it knows better.  So its
    values are compared with the last one it sent twice: a value that cannot have grown into that
    one is set aside and counted.  0 is a unit that does not count, not a new vehicle (own
    judgement). ``at_last`` is given each scan's last steady value of that unit.
    """
    by_unit: dict[tuple[int, int, int], list[_Heard]] = defaultdict(list)
    for heard in _totals(frames, repeated, total.decoders):
        by_unit[heard.rank].append(heard)
    best: dict[int, _Heard] = {}
    kept: dict[tuple[int, tuple[int, int, int]], list[_Heard]] = defaultdict(list)
    n_aside = 0
    for values in by_unit.values():
        last = _last_steady(values)
        for heard in values:
            grown = last.value - heard.value
            most = total.slack + abs(last.at - heard.at) / 3600 * total.an_hour
            if abs(grown) > most:
                n_aside += 1
                continue
            kept[heard.scan, heard.rank].append(heard)
            if heard.scan not in best or heard.rank < best[heard.scan].rank:
                best[heard.scan] = heard
    readings.counts[f"{total.name} set aside, far from the last that was told"] += n_aside
    for scan, heard in best.items():
        readings.total_lines.setdefault(scan, heard.line)
        if at_last is not None:
            at_last[scan] = _last_steady(kept[scan, heard.rank]).value
    return {scan: heard.value for scan, heard in best.items()}


def _totals(
    frames: pl.DataFrame,
    repeated: set[tuple[int, int]],
    decoders: Mapping[int, Callable[[bytes], float | None]],
) -> Iterator[_Heard]:
    """Decode what units report of a total: each run of the same value once, and its second time."""
    groups = list(decoders)
    found = frames.filter(
        pl.col("pgn").is_in(groups) & (pl.col("data").str.len_bytes() == 2 * j1939.FRAME_LENGTH)
    )
    nth = pl.int_range(pl.len()).over("scan", "id", "data")
    found = found.filter(nth < 2)  # noqa: PLR2004 - twice is steady, more says no more
    columns = ("scan", "stretch", "id", "pgn", "sa", "data", "at", "line")
    for scan, stretch, identifier, pgn, sa, data, at, line in found.select(columns).iter_rows():
        value = decoders[pgn](bytes.fromhex(data))
        if value and (stretch, identifier) in repeated:
            trust = _TRUSTED_FIRST.index(sa) if sa in _TRUSTED_FIRST else len(_TRUSTED_FIRST)
            yield _Heard(scan, at, line, (groups.index(pgn), trust, sa), value)


def _last_steady(values: list[_Heard]) -> _Heard:
    """Give the last value that was sent twice in a row; if none was, the last."""
    pairs = pairwise(values)
    steady = [after for before, after in pairs if before.value == after.value]
    return max(steady or values, key=lambda heard: heard.line)
