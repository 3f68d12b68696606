"""Recordings in the forms that python-can reads, one frame at a time, as a table of frames."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from os import SEEK_END
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast
from zoneinfo import ZoneInfo

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.bus.can_frames import LATEST_S, SCHEMA, Frames
from afterclear.readers.bus.mdf_blocks import check_blocks
from afterclear.readers.limits import check_size
from afterclear.records import Delivery, Rejection

if TYPE_CHECKING:  # it takes a second to load; candump text does not need it
    import can

_PIECE_FRAMES = 100_000
_MOST_ID = 0x1FFF_FFFF  # ISO 11898-1: 29 bits
_FRAME_BYTES = 48  # of a frame with its time where it is packed tightest (own judgement)


def read_other(delivery: Delivery, form: str) -> Frames:
    """Read a recording through python-can; a frame it cannot read ends the reading there."""
    frames, rows = Frames(pl.DataFrame(schema=SCHEMA)), _Rows(delivery)
    n_seen = 0
    try:
        with _opened(delivery.path, form) as reader:
            for n_seen, message in enumerate(reader, 1):
                if (kind := _kind_without_message(message)) is not None:
                    frames.skipped[kind] += 1
                elif not abs(message.timestamp) <= LATEST_S:
                    stamp = repr(message.timestamp)
                    frames.rejections.append(
                        Rejection("scans", n_seen, None, stamp, worded("a time stamp in seconds"))
                    )
                elif not 0 <= message.arbitration_id <= _MOST_ID:
                    number, wanted = (
                        str(message.arbitration_id),
                        worded("an identifier of 29 bits"),
                    )
                    frames.rejections.append(Rejection("scans", n_seen, None, number, wanted))
                else:
                    rows.take(n_seen, message)
    except (RefusedFileError, MemoryError):
        raise
    # python-can's readers pass on any error of their parsing: each means a broken file here
    except Exception as error:
        if rows.is_empty():
            raise RefusedFileError(
                worded(
                    "{name} looks like a {form} bus recording, but none of its frames "
                    "could be read: {error}. Record it again, or convert it to candump "
                    "text.",
                    name=delivery.name,
                    form=form,
                    error=error,
                )
            ) from error
        frames.rejections.append(
            Rejection(
                "scans",
                n_seen + 1,
                None,
                None,
                worded("a readable frame; reading stopped here ({error})", error=error),
            )
        )
    frames.table = rows.as_table()
    _name_zone(frames, form, delivery.zone)
    return frames


class _Rows:
    """Gathers frames piece by piece: as objects they take ten times the memory."""

    def __init__(self, delivery: Delivery) -> None:
        self._name, self._packed = delivery.name, delivery.path.stat().st_size
        self._pieces = [pl.DataFrame(schema=SCHEMA)]
        self._rows: list[tuple[int, float, str, int, bool, str]] = []

    def take(self, number: int, message: "can.Message") -> None:
        """Take one frame.

        Raises:
            RefusedFileError: there are more than a file of this size can hold.

        """
        self._rows.append(_row(number, message))
        if len(self._rows) >= _PIECE_FRAMES:
            self._end_piece()
            check_size(number * _FRAME_BYTES, self._packed, self._name)

    def is_empty(self) -> bool:
        return not self._rows and len(self._pieces) == 1

    def as_table(self) -> pl.DataFrame:
        self._end_piece()
        return pl.concat(self._pieces)

    def _end_piece(self) -> None:
        self._pieces.append(pl.DataFrame(self._rows, schema=SCHEMA, orient="row"))
        self._rows = []


class _Bounded:
    """A file that gives no more than it has: asked for gigabytes it would make room for them.

    A broken length in a recording is such a question.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._n_bytes = file.seek(0, SEEK_END)
        file.seek(0)

    def read(self, n_bytes: int = -1) -> bytes:
        left = max(self._n_bytes - self._file.tell(), 0)
        return self._file.read(min(n_bytes, left))  # a negative length stays the error it is

    def __getattr__(self, name: str) -> object:
        return getattr(self._file, name)


@contextmanager
def _opened(path: Path, form: str) -> Iterator[Iterable["can.Message"]]:
    """Open a recording with our own encoding: python-can would take the machine's."""
    import can  # noqa: PLC0415 - only if it is wanted

    if form == ".blf":
        with path.open("rb") as binary:
            yield can.BLFReader(cast("BinaryIO", _Bounded(binary)))
        return
    if form == ".mf4":
        with _measurement(path) as messages:
            yield messages
        return
    with path.open(encoding="utf-8", errors="replace") as text:
        match form:
            case ".trc":
                yield can.TRCReader(text)
            case ".csv":
                yield can.CSVReader(text)
            case _:
                yield can.ASCReader(text, relative_timestamp=False)


@contextmanager
def _measurement(path: Path) -> Iterator[Iterable["can.Message"]]:
    """Open an ASAM MDF version 4 recording; the library for it is an extra of its own."""
    import can  # noqa: PLC0415 - only if it is wanted

    check_blocks(path)
    reader = can.MF4Reader(path)
    try:
        yield reader
    finally:
        reader.stop()


def _kind_without_message(message: "can.Message") -> str | None:
    if message.is_error_frame:
        return "error frames"
    return "remote frames" if message.is_remote_frame else None


def _row(number: int, message: "can.Message") -> tuple[int, float, str, int, bool, str]:
    bus = "" if message.channel is None else str(message.channel)
    return (
        number,
        float(message.timestamp),
        bus,
        message.arbitration_id,
        message.is_extended_id,
        message.data.hex().upper(),
    )


def _name_zone(frames: Frames, form: str, zone: str) -> None:
    """Put the source's zone where the form holds wall-clock time without an offset.

    python-can reads the start of .asc in the machine's zone and that of .blf and .trc as UTC;
    neither may decide when a scan was made.
    """
    if frames.is_relative or form in (".csv", ".mf4"):
        return  # these hold instants
    first = float(frames.table["at"][0])
    machine = None if form == ".asc" else UTC
    wall = datetime.fromtimestamp(first, tz=machine).replace(tzinfo=ZoneInfo(zone))
    frames.table = frames.table.with_columns(pl.col("at") + (wall.timestamp() - first))
