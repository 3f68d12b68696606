"""A store of four vehicles: a brake repair that came back, one held, one in stock, one sound."""

import atexit
import shutil
import tempfile
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.write_digests import digest
from afterclear.config import Config

AS_OF = datetime(2026, 5, 20, 12, tzinfo=UTC)
EARLIER = datetime(2026, 3, 15, 12, tzinfo=UTC)
PLATES = ("QX 4711", "QX 4712", "QX 4713", "QX 4714")
PERSON = "Ottoline Vance"
VIN = "ZZZ1TEST0AFT00001"

VEHICLES = f"""vehicle_id,vin,plate,make,model,site,stock_status
K-1,{VIN},{PLATES[0]},Veldrun,Haul,Northquay,in_fleet
K-2,,{PLATES[1]},Veldrun,Haul,Northquay,in_fleet
K-3,,{PLATES[2]},Veldrun,Courier,Hollin Yard,in_stock
K-4,,{PLATES[3]},Veldrun,Courier,Hollin Yard,in_fleet
"""
_WORK = "repair_id vehicle_id repaired_at odometer_km site technician codes action part_family"
REPAIRS = f"""{_WORK.replace(" ", ",")},part_brand,part_cost,currency,notes
W-1,K-1,2026-03-02T10:00:00Z,51000,Northquay,{PERSON},C0034,replace,wheel speed sensor,Brellow,80,\
EUR,asked {PERSON} at the gate
W-2,K-2,2026-03-03T10:00:00Z,71000,Northquay,{PERSON},P0301,replace,ignition coil,Tandrel,60,EUR,
"""
CLEARS = """vehicle_id,cleared_at,odometer_km,ecu,reason
K-1,2026-03-02T11:00:00Z,51000,,
K-2,2026-03-03T11:00:00Z,71000,,
"""


def _scans() -> str:
    lines = ["scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code"]
    seen = [  # vehicle, km at start, code, unit; days of March to May with and without the code
        ("K-1", 50_000, "C0034", "brakes", {(2, 20), (5, 2), (5, 12)}),
        ("K-2", 70_000, "P0301", "engine", {(2, 20)}),
        ("K-3", 90_000, "B0001", "airbag", set()),
        ("K-4", 30_000, "B0001", "airbag", set()),
    ]
    days = [(2, 10), (2, 20), (3, 10), (3, 25), (4, 8), (4, 22), (5, 2), (5, 12)]
    for vehicle, km, code, unit, bad in seen:
        for i, (month, day) in enumerate(days):
            for ecu in ("engine", "brakes", "airbag"):
                shown = code if ecu == unit and (month, day) in bad else ""
                at = f"2026-{month:02d}-{day:02d}T08:00:00Z"
                lines.append(f"{vehicle}-s{i},{vehicle},{at},{km + 700 * i},full,{ecu},{shown}")
    return "\n".join(lines) + "\n"


def small_fleet(folder: Path, settings: str = "", as_of: datetime = AS_OF) -> App:
    """Load and judge the vehicles under ``folder``; ``settings`` goes into afterclear.toml."""
    shutil.copytree(_judged(settings, as_of), folder, dirs_exist_ok=True)
    return _app(folder)


def loaded_fleet(folder: Path, settings: str = "") -> App:
    """Load the vehicles, and leave the judging to whoever asked."""
    shutil.copytree(_loaded(), folder, dirs_exist_ok=True)
    (folder / "config" / "afterclear.toml").write_text(settings, encoding="utf-8")
    return _app(folder)


def _app(folder: Path) -> App:
    return App(Config(folder / "config"), folder / "afterclear.duckdb", lambda: AS_OF)


@cache
def _loaded() -> Path:
    """Load the vehicles once for all tests of a process."""
    folder = _kept_folder()
    (folder / "config").mkdir()
    inbox = folder / "inbox"
    inbox.mkdir()
    texts = {"vehicles": VEHICLES, "repairs": REPAIRS, "clears": CLEARS, "scans": _scans()}
    for name, text in texts.items():
        (inbox / f"{name}.csv").write_text(text, encoding="utf-8")
    load_paths(_app(folder), [inbox], Whose(), lambda _: None)
    return folder


@cache
def _judged(settings: str, as_of: datetime) -> Path:
    folder = _kept_folder()
    analyse(loaded_fleet(folder, settings), full=True, as_of=as_of)
    return folder


def _kept_folder() -> Path:
    """Give a folder that goes when the process ends."""
    folder = tempfile.mkdtemp(prefix="small-fleet-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


def told_before(folder: Path) -> App:
    """Give a small fleet of which a digest told already, analysed again since."""
    app = small_fleet(folder, as_of=EARLIER)
    digest(app)
    analyse(app, as_of=AS_OF)
    return app


def with_settings(app: App, settings: str) -> App:
    """Give the same store under other settings."""
    folder = app.store.parent / "config"
    (folder / "afterclear.toml").write_text(settings, encoding="utf-8")
    return App(Config(folder), app.store, app.clock)
