"""What a reader is.  It knows a kind of file, never the store, the clock or the settings."""

from typing import Protocol

from afterclear.records import Delivery, ReadFile

MAP_PREFIX = "map:"
RETURNED = "returned_rows"  # the reader of the program's own workbooks of refused rows


class Reader(Protocol):
    """Turns one delivered file into plain tables."""

    @property
    def name(self) -> str:
        """How the ledger calls it; ``map:`` and the map's name where a map says what is done."""

    def identify(self, delivery: Delivery) -> bool:
        """Whether this is the reader's kind, by the name and the first bytes alone."""

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the file into the plain layout.

        Raises:
            RefusedFileError: the file is not what ``identify`` promised; nothing is kept.

        """
