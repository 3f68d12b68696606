"""A small garage with everything in it: corrections, refusals, repairs, a bus log's vehicle."""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame, frame_text
from afterclear.config import Config
from afterclear.store.queries.exports import EXPORTS

NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)
VEHICLES = """vehicle_id,vin,plate,make,model
V1,WTR00000000000001,AB-101,Tarrovane,Lumo
V2,WTR00000000000002,AB-102,Tarrovane,Lumo
V3,WTR00000000000003,AB-103,Tarrovane,Lumo
"""
SCAN_HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code,status,technician\n"


def scans(begin: int = 0) -> str:
    """Each vehicle shows a code, is repaired, and shows it again or not."""
    rows = []
    for v in (1, 2, 3):
        for n in range(begin, begin + 8):
            code = "P0301" if n < 3 or (v == 2 and n > 5) else ""
            at, km = f"2025-{1 + n:02d}-10T08:00:00Z", 1000 * (n + v)
            rows.append(f"S{v}{n},V{v},{at},{km},full,engine,{code},,\n")
    return SCAN_HEAD + "".join(rows)


REPAIRS = "repair_id,vehicle_id,repaired_at,odometer_km,codes,action,technician,notes\n" + "".join(
    f"R{v},V{v},2025-03-20T08:00:00Z,{2500 + 1000 * v},P0301,replace,T{v},coil\n" for v in (1, 2, 3)
)
CORRECTED = SCAN_HEAD + "S10,V1,2025-01-10T08:00:00Z,1010,full,engine,P0301,,\n"
WITH_REFUSED = SCAN_HEAD + (
    "S90,V1,yesterday,1,full,engine,,,\nS91,V2,2025-09-20T08:00:00Z,11500,full,engine,,,\n"
)


def garage(folder: Path, clock: Callable[[], datetime] = lambda: NOW) -> App:
    """Load and analyse it all; give the app."""
    inbox = folder / "inbox"
    inbox.mkdir()
    files = {
        "1_vehicles.csv": VEHICLES,
        "2_scans.csv": scans(),
        "3_repairs.csv": REPAIRS,
        "4_corrected.csv": CORRECTED,
        "5_refused.csv": WITH_REFUSED,
        "6_V1_list.jsonl": '{"vehicle_id": "V1", "cleared_at": "2025-03-20T09:00:00Z"}\n'
        '{"vehicle_id": "V2", "cleared_at": "2025-03-20T09:00:00Z"}\n',
    }
    for name, text in files.items():
        (inbox / name).write_text(text, encoding="utf-8")
    app = App(Config(None), folder / "garage.duckdb", clock)
    load_paths(app, [inbox], Whose(), lambda _: None)
    analyse(app)
    return app


def copy_of_garage(template: Path, folder: Path) -> App:
    """Give a copy of a garage made before."""
    shutil.copytree(template, folder, dirs_exist_ok=True)
    return App(Config(None), folder / "garage.duckdb", lambda: NOW)


def export_text(app: App, table: str) -> str:
    """One exported table as CSV."""
    return frame_text(export_frame(app, table), "csv")


def exports(app: App, *without: str) -> dict[str, str]:
    """Every export as CSV, from a store that is opened once: to open it takes ten times longer."""
    readings = app.kept_readings()
    with readings.reading():
        told = {name: export_text(app, name) for name in EXPORTS if name not in without}
    readings.let_go()
    return told
