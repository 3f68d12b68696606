"""The index of a fleet too large for one list: a script file that a page fetches once.

A page from disk may not read other files, but it may load a script beside it: so the index is one
assignment, and ``fleet_search.js`` finds and sorts in it.
"""

import json
from collections.abc import Iterable

from afterclear.digest.common.model import VehicleLine
from afterclear.wording.cells import Cells


def fleet_index(lines: Iterable[VehicleLine], cells: Cells) -> str:
    """Return the file's text: vehicles as rows, components once each and by their place."""
    places: dict[str, int] = {}
    vehicles = []
    for line in lines:
        ref, scanned = line.vehicle, line.last_scan_at
        about = ", ".join(part for part in (ref.description, ref.site) if part)
        sold = f" {cells.t('(sold)')}" if ref.sold else ""
        own = [places.setdefault(name, len(places)) for name in line.components]
        vehicles.append(
            [
                ref.vehicle_id,
                ref.plate if ref.plate and ref.plate != ref.vehicle_id else "",
                ref.page,
                f"{about}{sold}".strip(),
                " ".join(line.codes),
                own,
                line.n_present,
                line.n_held,
                line.n_on_watch,
                line.n_unchecked,
                line.n_came_back,
                cells.day(scanned) if scanned else cells.t("never scanned"),
                scanned.isoformat() if scanned else "",
            ]
        )
    told = {"components": list(places), "vehicles": vehicles}
    # one line a vehicle would be easier on the eye, and a tenth longer
    text = json.dumps(told, ensure_ascii=False, separators=(",", ":"))
    return f'"use strict";\nwindow.afterclearFleet={text};\n'
