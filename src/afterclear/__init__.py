"""afterclear: was the fault fixed?  Scans, clears and work orders in, evidence out.

From Python: ``afterclear.open("garage").attempts()``; see ``afterclear help analysts``.
"""

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from afterclear.garage import Garage

__version__ = "0.1.0"


def open(folder: str | Path = ".", *, store: str | Path | None = None) -> "Garage":  # noqa: A001
    """Open the garage in a folder made by ``afterclear init``, or a store alone.

    Raises:
        ConfigError: a file of its ``config`` folder is wrong.

    """
    from afterclear.garage import open_garage  # noqa: PLC0415 - the version alone needs no library

    return open_garage(folder, store=store)
