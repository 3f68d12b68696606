"""What a reader is.  It knows a kind of file, never the store, the clock or the settings."""

from typing import ClassVar, Protocol

from afterclear.records import Delivery, ReadFile


class Reader(Protocol):
    """Turns one delivered file into plain tables."""

    name: ClassVar[str]

    def identify(self, delivery: Delivery) -> bool:
        """Tell from the name and the first bytes alone whether this is the reader's kind."""

    def read(self, delivery: Delivery) -> ReadFile:
        """Bring the file into the plain layout.

        Raises:
            RefusedFileError: the file is not what ``identify`` promised; nothing is kept.

        """
