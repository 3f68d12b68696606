"""What the fleet's own orders say of which work is for which codes: beside ``config/cures.csv``."""

from pathlib import Path

import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.queries.exporting import export_frame
from afterclear.config import Config
from tests.store.care_fixture import NOW, SCAN_HEAD

_ORDERS = "repair_id,vehicle_id,repaired_at,odometer_km,part_family,action,codes\n"
_LEAK, _VALVE, _SENSOR = ("vacuum leak", "P0301"), ("EGR valve", "P0401"), ("thermostat", "P0128")
# a misfire, an order for an air leak that names no code, codes erased beside it
_UNTOLD = {
    "scans.csv": SCAN_HEAD
    + "S1,V1,2025-01-10T08:00:00Z,1000,full,engine,P0301,,\n"
    + "S2,V1,2025-02-10T08:00:00Z,3000,full,engine,,,\n",
    "repairs.csv": _ORDERS + "R1,V1,2025-01-10T12:00:00Z,1000,vacuum leak,repair,\n",
    "clears.csv": "vehicle_id,ecu,cleared_at,odometer_km\nV1,engine,2025-01-10T13:00:00Z,1000\n",
}


def orders(first: int, *told: tuple[str, str]) -> str:
    """Tell of an order a vehicle: what was repaired, and the code it names."""
    return _ORDERS + "".join(
        f"R1,A{n},2025-03-10T08:00:00Z,5000,{part},repair,{code}\n"
        for n, (part, code) in enumerate(told, start=first)
    )


def garage(folder: Path, nights: list[dict[str, str]], *, nightly: bool) -> App:
    """Load nights, and analyse after each or at the end."""
    folder.mkdir()
    (folder / "config").mkdir()
    app = App(Config(folder / "config"), folder / "garage.duckdb", lambda: NOW)
    for number, files in enumerate(nights):
        inbox = folder / f"night {number}"
        inbox.mkdir()
        for name, text in files.items():
            (inbox / name).write_text(text, encoding="utf-8")
        load_paths(app, [inbox], Whose(), lambda _: None)
        if nightly:
            analyse(app)
    if not nightly:
        analyse(app, full=True)
    return app


_USUAL = orders(1, *[_VALVE] * 8, *[_SENSOR] * 8, *[_LEAK] * 4)
_MORE = orders(21, *[_LEAK] * 2)


def fixes(app: App) -> list[tuple[str, str | None]]:
    attempts = export_frame(app, "attempts").filter(vehicle_id="V1")
    return attempts.select("kind", "repair_id").rows()


@pytest.mark.slow
def test_orders_that_name_their_codes_say_what_one_without_is_for(tmp_path: Path) -> None:
    """Four are too few, six are enough; nightly analyses end where one of everything ends."""
    nights = [_UNTOLD | {"usual.repairs.csv": _USUAL}, {"more.repairs.csv": _MORE}]
    before = garage(tmp_path / "before", nights[:1], nightly=True)
    assert fixes(before) == [("clear_only", None)]
    nightly = garage(tmp_path / "nightly", nights, nightly=True)
    assert fixes(nightly) == [("repair", "R1")]
    at_once = garage(tmp_path / "once", nights, nightly=False)
    for name in ("attempts", "cure_links", "cures", "cure_fixes"):
        assert export_frame(nightly, name).equals(export_frame(at_once, name)), name
    (link,) = export_frame(at_once, "cure_links").to_dicts()
    assert (link["work"], link["fault"], link["counts"]) == ("intake_leak", "misfire", "orders")
    assert (link["n_both"], link["n_work"], link["n_fault"], link["n_all"]) == (6, 6, 6, 22)
    assert "name no code are for such codes, too." in link["sentence"]
    # a further analysis changes nothing
    assert analyse(nightly).vehicles_rebuilt == 0
