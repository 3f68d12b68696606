"""What inputs that are guided by coverage go through: decoders of messages, readers of files."""

import tempfile
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from afterclear.config import shipped
from afterclear.errors import DecodeError, RefusedFileError
from afterclear.protocols import isotp, j1939, j1939_faults, j1939_readiness, j2012, obd, uds
from afterclear.protocols.j1939_transport import Transport
from afterclear.protocols.vin_bytes import vin_from_ascii
from afterclear.readers.containers import container_kind, unpacked
from afterclear.readers.looking import CannotLookError, texts
from afterclear.readers.maps.import_map import load_maps
from afterclear.readers.registry import all_readers, identify
from afterclear.records import Delivery
from tests.faults.fuzz import maps_of_prints
from tests.faults.guided import MESSAGES, names_of

__all__ = ["MESSAGES"]  # for the process, which imports nothing else of ours by itself

NOON: Final = datetime(2026, 11, 1, 12, tzinfo=UTC)
_MOST_MEMBER: Final = 50_000_000
REFUSALS: Final = (RefusedFileError, DecodeError, MemoryError)


def _frames(raw: bytes, size: int) -> list[bytes]:
    return [raw[at : at + size] for at in range(0, len(raw), size)]


def _of_isotp(raw: bytes) -> None:
    receiver = isotp.Receiver()
    for n, frame in enumerate(_frames(raw, 8)):
        receiver.feed(n / 100, frame)
    receiver.close()


def _of_j1939(raw: bytes) -> None:
    transport = Transport()
    for n, frame in enumerate(_frames(raw, 12)):
        name = j1939.id_from_int(int.from_bytes(frame[:4], "big") & 0x1FFFFFFF)
        transport.feed(n / 100, name, frame[4:])
    transport.close()


DECODERS: Final[tuple[Callable[[bytes], object], ...]] = (
    _of_isotp,
    _of_j1939,
    *((lambda raw, form=form: obd.codes_from_message(raw, form)) for form in obd.Form),
    *((lambda raw, form=form: obd.vin_from_messages(_frames(raw, 7), form)) for form in obd.Form),
    obd.is_cleared,
    obd.values_from_message,
    obd.older_line_message,
    uds.negative_answer,
    uds.is_cleared,
    uds.list_from_payload,
    uds.severities_from_payload,
    uds.wwh_list_from_payload,
    vin_from_ascii,
    j1939.vin_from_payload,
    j1939.total_distance_km,
    j1939.high_resolution_distance_km,
    j1939.engine_hours,
    j1939.requested_pgn,
    j1939.acknowledgement_from_payload,
    j1939_faults.fault_message_from_payload,
    j1939_readiness.readiness_from_payload,
    j1939_readiness.since_clear_from_payload,
    j1939_readiness.this_trip_from_payload,
    # parts of these, with fields of any length
    j2012.code_from_bytes,
    j2012.split_three_bytes,
    obd.readiness_from_bytes,
    lambda raw: obd.number_from_value(raw[0], raw[1:]) if raw else None,
    j1939_faults.lamps_from_bytes,
    *((lambda raw, how=how: j1939_faults.dtc_from_bytes(raw, how)) for how in (None, 1, 2, 3)),
    j1939_readiness.monitors_from_bytes,
)


def decode(raw: bytes) -> None:
    """Let the decoder that the first byte names decode the rest."""
    if raw:
        DECODERS[raw[0] % len(DECODERS)](raw[1:])


class Files:
    """Files of one ending through identifying, reading, and being searched for names."""

    def __init__(self, ending: str, place: Path) -> None:
        self.place, self.names = place, names_of(ending)
        self.known = all_readers((*load_maps(shipped("config") / "imports"), *maps_of_prints()))

    def read(self, raw: bytes) -> None:
        """Read a file as the reading process does, in this one; its first byte gives its name."""
        if not raw:
            return
        name = self.names[raw[0] % len(self.names)]
        path = self.place / f"delivered{Path(name).suffix}"
        path.write_bytes(raw[1:])
        delivery = Delivery("guided", name, path, "", vehicle_id="V1", started_at=NOON)
        with suppress(CannotLookError):
            deque(texts(path, name), maxlen=0)
        if kind := container_kind(path, name):
            with tempfile.TemporaryDirectory(dir=self.place) as folder:
                unpacked(path, name, kind, Path(folder), _MOST_MEMBER)
        else:
            identify(delivery, self.known).read(delivery)
