"""The readers there are, and which of them a delivery belongs to: exactly one, or an error."""

from collections.abc import Sequence

from afterclear.errors import RefusedFileError, worded
from afterclear.readers.limits import USUAL, ReadingLimits
from afterclear.readers.maps.checked_map import BrokenMap, ImportMap
from afterclear.readers.plain_table import PlainTableReader
from afterclear.readers.reader import MAP_PREFIX, RETURNED, Reader
from afterclear.readers.unread import why_unread
from afterclear.records import Delivery


def all_readers(
    maps: Sequence[ImportMap | BrokenMap] = (), limits: ReadingLimits = USUAL
) -> tuple[Reader, ...]:
    """Every reader, in the order in which they are asked; one for each import map."""
    # imported late: these libraries are slow to start and most deliveries are plain tables
    from afterclear.readers.bus.can_log import CanLogReader  # noqa: PLC0415
    from afterclear.readers.bus.hex_responses import HexResponsesReader  # noqa: PLC0415
    from afterclear.readers.mapped.map_reader import BrokenMapReader, MapReader  # noqa: PLC0415
    from afterclear.readers.mapped.returned_reader import ReturnedRowsReader  # noqa: PLC0415

    mapped = [
        BrokenMapReader(each) if isinstance(each, BrokenMap) else MapReader(each, limits.pages)
        for each in maps
    ]
    returned = ReturnedRowsReader([each for each in maps if isinstance(each, ImportMap)])
    return (returned, *mapped, PlainTableReader(), CanLogReader(), HexResponsesReader())


def identify(delivery: Delivery, readers: Sequence[Reader]) -> Reader:
    """Give the one reader that recognises the delivery; import maps come first.

    But for the program's own workbooks: no map is meant for those.

    Raises:
        RefusedFileError: none does, or several do.

    """
    own = next((reader for reader in readers if reader.name == RETURNED), None)
    if own is not None and own.identify(delivery):
        return own
    mapped = [reader for reader in readers if reader.name.startswith(MAP_PREFIX)]
    others = [reader for reader in readers if reader not in mapped and reader is not own]
    claims = _claims(mapped, delivery) or _claims(others, delivery)
    if len(claims) == 1:
        return claims[0]
    if claims:
        names = ", ".join(reader.name for reader in claims)
        raise RefusedFileError(
            worded(
                "{name} could be read as more than one kind: {names}. Narrow the maps' `files` or "
                "`contains`.",
                name=delivery.name,
                names=names,
            )
        )
    raise RefusedFileError(
        why_unread(delivery)
        or worded(
            "{name} is no kind of file afterclear knows, and no import map takes it. 'afterclear "
            "map-check FILE' suggests a map; see the README for what is read without one.",
            name=delivery.name,
        )
    )


def _claims(readers: Sequence[Reader], delivery: Delivery) -> list[Reader]:
    return [reader for reader in readers if reader.identify(delivery)]
