"""A vehicle is forgotten at the desk after the same question as at the terminal."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands import forgetting
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.trail import trail
from afterclear.desk.long_work.bench import Bench, Piece
from afterclear.store.engine.database import open_store
from afterclear.store.upkeep import forget as steps
from tests.desk.test_access import Served, form
from tests.desk.test_desk import SCANS


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Served:
    """Give a desk with two vehicles loaded and nothing judged."""
    served = Served(tmp_path_factory.mktemp("forgetting"))
    scans = served.app.store.with_name("scans.csv")
    scans.write_text(SCANS)
    load_paths(served.app, [scans], Whose(), lambda _: None)
    return served


def copy_of(served: Served, folder: Path) -> Served:
    own = Served(folder)
    with open_store(own.app.store):
        pass
    own.app.store.write_bytes(served.app.store.read_bytes())
    return own


def test_the_vehicles_page_names_its_files_and_only_an_administrator_may_forget(
    served: Served,
) -> None:
    page = served.sign_in("Ada").get("/find?name=v1").text
    assert "scans.csv" in page
    assert "2\u00a0rows of it" in page
    assert "/forget?vehicle=V1" in page
    assert "/forget?" not in served.sign_in("Dora").get("/find?name=v1").text


def test_nothing_is_erased_before_the_box_is_ticked(served: Served) -> None:
    ada = served.sign_in("Ada")
    asked = ada.get("/forget?vehicle=V1").text
    assert "Erase vehicle V1 for good" in asked
    assert "What remains" in asked
    assert form(ada, "/forget", data={"vehicle": "V1"}) == 400
    assert served.desk.bench.piece is None


def test_a_forgetting_that_was_cut_off_is_finished_at_the_desk(
    served: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = copy_of(served, tmp_path)
    with open_store(own.app.store) as con:
        steps.begin(con, "V1", (), own.app.clock())
    begun: list[list[str]] = []
    monkeypatch.setattr(Bench, "begin", lambda *told, **_: begun.extend(told[2]) or True)
    assert "half forgotten" not in own.sign_in("Dora").get("/").text
    ada = own.sign_in("Ada")
    assert 'action="/forget/finish"' in ada.get("/").text
    assert form(ada, "/forget/finish") == 200
    # the last step alone; all of them are in tests/store
    monkeypatch.setitem(forgetting.STEPS, "rows", forgetting.STEPS["compact"])
    done = CliRunner().invoke(main, ["--store", str(own.app.store), *begun[0]])
    assert (done.exit_code, "rows of history erased" in done.output) == (0, True)
    assert "half forgotten" not in ada.get("/").text
    assert forgetting.finish(own.app) is None


def test_a_forgetting_is_not_cancelled(served: Served) -> None:
    piece = served.desk.bench.piece = Piece("Forget a vehicle", can_be_cancelled=False)
    ada = served.sign_in("Ada")
    assert "/bench/cancel" not in ada.get("/bench").text
    assert form(ada, "/bench/cancel") == 400
    assert not piece.is_cancelled
    served.desk.bench.piece = None


@pytest.mark.slow
def test_a_forgotten_vehicle_is_named_nowhere_at_the_desk(tmp_path: Path, served: Served) -> None:
    own = copy_of(served, tmp_path)
    ada = own.sign_in("Ada")
    assert form(ada, "/forget", data={"vehicle": "V1", "sure": "yes"}) == 200
    own.desk.bench.wait(120)
    assert own.desk.bench.piece is not None
    assert own.desk.bench.piece.problem == ""
    assert form(ada, "/decide") == 400
    listed = trail(own.app, 9)
    assert listed[0].did == "had a vehicle forgotten"
    assert not any("V1" in entry.about or "V1" in entry.vehicles for entry in listed)
    for place in ("/", "/bench", "/trail", "/loads", "/decide"):
        assert "V1" not in ada.get(place).text, place
