"""A garage's own rows of ``config/cures.csv``: which fault an order without codes is for."""

from pathlib import Path

import pytest

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config, shipped
from afterclear.errors import ConfigError
from tests.store.care_fixture import NOW, SCAN_HEAD

_HEAD = "work,fault,why,source\n"
_OWN = "intake_leak,misfire,a cylinder that gets air beside it runs too lean,our orders of 2025\n"
# a misfire, an order for an air leak that names no code, codes erased beside it
_FILES = {
    "scans.csv": SCAN_HEAD
    + "S1,V1,2025-01-10T08:00:00Z,1000,full,engine,P0301,,\n"
    + "S2,V1,2025-02-10T08:00:00Z,3000,full,engine,,,\n",
    "repairs.csv": "repair_id,vehicle_id,repaired_at,odometer_km,part_family,action\n"
    "R1,V1,2025-01-10T12:00:00Z,1000,vacuum leak,repair\n",
    "clears.csv": "vehicle_id,ecu,cleared_at,odometer_km\nV1,engine,2025-01-10T13:00:00Z,1000\n",
}


def garage(folder: Path, own: str = "") -> App:
    """Give the garage; ``own``: rows of its own table, if it has one."""
    config = folder / "config"
    config.mkdir(exist_ok=True)
    if own:
        (config / "cures.csv").write_text(_HEAD + own, encoding="utf-8")
    return App(Config(config), folder / "garage.duckdb", lambda: NOW)


def fixes(app: App) -> list[tuple[str, str | None]]:
    return export_frame(app, "attempts").select("kind", "repair_id").rows()


@pytest.mark.slow
def test_a_row_of_ones_own_joins_orders_that_were_analysed_before(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for name, text in _FILES.items():
        (inbox / name).write_text(text, encoding="utf-8")
    app = garage(tmp_path)
    load_paths(app, [inbox], Whose(), lambda _: None)
    analyse(app)
    assert fixes(app) == [("clear_only", None)]
    with_own = garage(tmp_path, _OWN)
    assert analyse(with_own).vehicles_rebuilt == 1
    assert fixes(with_own) == [("repair", "R1")]
    assert analyse(with_own).vehicles_rebuilt == 0
    analyse(with_own, full=True)
    assert fixes(with_own) == [("repair", "R1")]


def test_rows_of_ones_own_count_beside_the_shipped_ones_each_once(tmp_path: Path) -> None:
    twice = "ignition_coil,misfire,no spark,ours\n"
    own = garage(tmp_path, _OWN + twice).catalogue.cures
    assert own == (*Catalogue.load(shipped("config")).cures, ("intake_leak", "misfire"))


def test_a_wrong_row_of_ones_own_is_refused_with_its_file_and_line(tmp_path: Path) -> None:
    app = garage(tmp_path, _OWN + "air,misfire,w,s\n")
    with pytest.raises(ConfigError, match=r"config.cures\.csv line 3: 'air' is no component"):
        _ = app.catalogue
