"""The readers there are, and which of them a delivery belongs to: exactly one, or an error."""

from collections.abc import Sequence

from afterclear.errors import RefusedFileError
from afterclear.readers.base import Reader
from afterclear.readers.plain_table import PlainTableReader
from afterclear.records import Delivery


def all_readers() -> tuple[Reader, ...]:
    """Every reader, in the order in which they are asked."""
    # imported late: the bus log library is slow to start and most deliveries are tables
    from afterclear.readers.can_log import CanLogReader  # noqa: PLC0415
    from afterclear.readers.hex_responses import HexResponsesReader  # noqa: PLC0415

    return (PlainTableReader(), CanLogReader(), HexResponsesReader())


def identify(delivery: Delivery, readers: Sequence[Reader]) -> Reader:
    """Give the one reader that recognises the delivery.

    Raises:
        RefusedFileError: none does, or several do.

    """
    claims = [reader for reader in readers if reader.identify(delivery)]
    if len(claims) == 1:
        return claims[0]
    if claims:
        names = ", ".join(reader.name for reader in claims)
        raise RefusedFileError(f"{delivery.name} could be read as more than one kind: {names}.")
    raise RefusedFileError(
        f"{delivery.name} is no kind of file afterclear knows. It reads tables with the column "
        "names of the plain layout (CSV, JSON Lines, Parquet), bus logs and written-down answers "
        "of control units; see the README."
    )
