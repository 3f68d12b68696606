"""A garage with one source, whose loads a test asks for."""

import json
from pathlib import Path
from typing import Any

from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport, load_sources
from afterclear.config import Config
from tests.faults.child import NOW

SECRET = "AFTERCLEAR_TEST_SECRET"  # noqa: S105 - the name of a variable
HEAD = "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code,status\n"


def scan(number: int, code: str = "P0301") -> str:
    return f"S{number},V1,2025-01-{number:02d}T10:00:00Z,{number}000,engine,{code},confirmed\n"


def garage(folder: Path, /, **source: Any) -> App:
    """Set up a config with one source called share."""
    config = folder / "config"
    config.mkdir(exist_ok=True)
    told = {"name": "share", "settle_seconds": 0} | source
    lines = [
        f"{key} = {json.dumps(str(v) if isinstance(v, Path) else v)}" for key, v in told.items()
    ]
    (config / "sources.toml").write_text("[[source]]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return App(Config(config), folder / "garage.duckdb", lambda: NOW)


def load(app: App) -> LoadReport:
    return load_sources(app, lambda _: None)


def fates(report: LoadReport) -> list[tuple[str, str]]:
    """(file, what became of it)."""
    return [(r.file_name, r.outcome) for r in report.results]
