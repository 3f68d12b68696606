"""A vehicle is forgotten at the desk after the same question as at the terminal."""

from pathlib import Path

import pytest

from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.trail import trail
from afterclear.store.engine.database import open_store
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


def test_the_vehicles_page_names_its_files_and_only_an_administrator_may_forget(
    served: Served,
) -> None:
    page = served.sign_in("Ada").get("/find?name=v1").text
    assert "scans.csv" in page
    assert "2 rows of it" in page
    assert "/forget?vehicle=V1" in page
    assert "/forget?" not in served.sign_in("Dora").get("/find?name=v1").text


def test_nothing_is_erased_before_the_box_is_ticked(served: Served) -> None:
    ada = served.sign_in("Ada")
    asked = ada.get("/forget?vehicle=V1").text
    assert "Erase vehicle V1 for good" in asked
    assert "What remains" in asked
    assert form(ada, "/forget", data={"vehicle": "V1"}) == 400
    assert served.desk.bench.piece is None


@pytest.mark.slow
def test_a_forgotten_vehicle_is_named_nowhere_at_the_desk(tmp_path: Path, served: Served) -> None:
    own = Served(tmp_path)
    with open_store(own.app.store):
        pass
    own.app.store.write_bytes(served.app.store.read_bytes())
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
