"""Reader of units' answers written down as text: one message a line, in hex digits.

For people who have raw answers but no bus recording.  The form::

    # a remark; empty lines are passed over
    vehicle_id: T-1
    scanned_at: 2025-03-30T14:05:00+02:00
    odometer_km: 123456
    form: messages
    > 7DF 03
    7E8 43 02 01 02 01 13
    7E9 43 00
    > 7E0 19 02 08
    7E8 59 02 FF 08 05 11 2F

* A data line is the identifier (3 or 8 hex digits) and the bytes, apart by blanks.  ``>`` marks a
  question.  Questions may be left out: then what an answer does not list is unknown, not absent,
  except after OBD service 03.
* ``key: value`` lines before the data: vehicle_id, vin, scanned_at, odometer_km, odometer_mi,
  engine_hours, visit_reason, form.  Such a line after data begins the next scan, which takes
  over vehicle_id, vin and form.
* ``form`` is ``messages`` (whole messages), ``frames`` (each line a CAN frame with its ISO-TP byte)
  or ``older`` (J1850, ISO 9141-2, ISO 14230-4: three header bytes, the message, a checksum; no
  identifier).  Without it: frames if an answer begins below 40, older if the lines have no
  identifier, otherwise messages.

The time is ``scanned_at``, otherwise what the source states, otherwise the file's time. Lines count
as one millisecond apart, so that a clear lies between the readings before and after it.
"""

from typing import ClassVar

from afterclear.readers.bus.hex_lines import HEAD_BYTES, kind_of
from afterclear.records import Delivery, ReadFile


class HexResponsesReader:
    """Answers of control units as lines of hex digits."""

    name: ClassVar[str] = "hex_responses"

    def identify(self, delivery: Delivery) -> bool:
        """Recognise the first lines: keys, remarks and at least one line of bytes, nothing else."""
        with delivery.path.open("rb") as file:
            head = file.read(HEAD_BYTES)
        text = head.decode("utf-8-sig", "replace")
        lines = text.splitlines()[: -1 if len(head) == HEAD_BYTES else None]
        kinds = {kind_of(line) for line in lines}
        return "data" in kinds and "other" not in kinds

    def read(self, delivery: Delivery) -> ReadFile:
        """Turn written-down answers into scans, clears and a vehicle.

        Raises:
            RefusedFileError: no line holds an answer, or the vehicle is not known.

        """
        # loaded with the first such file: recognising a file does not need it
        from afterclear.readers.bus.hex_scans import read_sections  # noqa: PLC0415

        return read_sections(delivery)
