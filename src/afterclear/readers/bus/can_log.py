"""Reader of bus recordings; it recognises them by their first bytes.

``recordings`` decodes them and is loaded with the first recording: recognising a file does not need
it.
"""

from collections.abc import Mapping
from typing import ClassVar

from afterclear.readers.bus.can_frames import HEAD_BYTES, form_of
from afterclear.records import Delivery, ReadFile


class CanLogReader:
    """Recordings of a CAN bus: candump text, and the other forms python-can reads.

    ``spn_methods``: for units that send codes in an old form, the SPN conversion method (1, 2 or
    3) by source address.  Without it such a code is refused with its bytes, not guessed.
    """

    name: ClassVar[str] = "can_log"

    def __init__(self, spn_methods: Mapping[int, int] | None = None) -> None:
        self.spn_methods = dict(spn_methods or {})

    def identify(self, delivery: Delivery) -> bool:
        """Recognise a recording by its first bytes (two forms have no signature: by suffix)."""
        with delivery.path.open("rb") as file:
            return form_of(delivery.name, file.read(HEAD_BYTES)) is not None

    def read(self, delivery: Delivery) -> ReadFile:
        """Turn a recording into scans, clears and a vehicle.

        Raises:
            RefusedFileError: nothing in it is a frame, or the vehicle is not known.

        """
        from afterclear.readers.bus.recordings import read_recording  # noqa: PLC0415 - as above

        return read_recording(delivery, self.spn_methods)
