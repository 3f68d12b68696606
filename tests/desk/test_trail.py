"""Who did what at the desk is noted before the answer comes, and kept in the store."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest.mock import Mock

import pytest

from afterclear.commands.app import App, app_at
from afterclear.commands.trail import note, take_in, take_in_if_free, trail
from afterclear.config import Config
from afterclear.desk.noting import DEEDS
from afterclear.desk.routes import PAGES
from afterclear.errors import StoreInUseError
from afterclear.store.engine.database import open_store, query
from afterclear.store.upkeep.retention import Retention
from afterclear.store.upkeep.vacuum import retire
from tests.desk.test_access import Served, form

NOON = datetime(2020, 3, 2, 12, tzinfo=UTC)  # before all that other tests note


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> App:
    """Give an empty store."""
    app = app_at(Config(None), tmp_path_factory.mktemp("trail") / "afterclear.duckdb")
    with open_store(app.store):
        pass
    return app


def test_every_form_has_words_for_what_it_does() -> None:
    assert set(DEEDS) == {path for method, path, *_ in PAGES if method == "POST"}


def test_what_a_user_does_is_listed_with_name_and_role(tmp_path: Path) -> None:
    served = Served(tmp_path)
    dora, ada = served.sign_in("Dora"), served.sign_in("Ada")
    assert form(dora, "/bring", files={"files": ("<b>scans.csv", b"x")}) == 200
    assert form(dora, "/bring") == 400  # not done, so not listed
    done = [(e.who, e.role, e.did, e.about) for e in trail(served.app, 9)][::-1]
    assert done == [
        ("Dora", "decide", "signed in", "192.0.2.7"),
        ("Ada", "admin", "signed in", "192.0.2.7"),
        ("Dora", "decide", "brought files", "b_scans.csv"),
    ]
    page = ada.get("/trail").text
    assert "brought files" in page
    assert Path(f"{served.app.store}.trail").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("fails", ["note", "take_in_if_free"])
def test_what_is_done_is_done_even_if_it_cannot_be_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    served = Served(tmp_path)
    dora = served.sign_in("Dora")
    in_use = Mock(side_effect=StoreInUseError("load is at it"))
    monkeypatch.setattr(f"afterclear.desk.noting.{fails}", in_use)
    assert form(dora, "/bring", files={"files": ("scans.csv", b"x")}) == 200
    assert in_use.called
    served.sign_in("Rea")


def test_a_line_that_was_taken_in_is_not_doubled_by_a_kill(app: App) -> None:
    note(app, "Ada", "admin", "decided", "accept", ["V1"])
    noted = Path(f"{app.store}.trail")
    before = noted.read_text(encoding="utf-8")
    take_in_if_free(app)
    assert not noted.exists()
    noted.write_text(before + before[:20], encoding="utf-8")  # killed before it was removed
    take_in_if_free(app)
    assert [(e.did, e.vehicles) for e in trail(app, 9)] == [("decided", ("V1",))]


def test_a_line_that_a_full_disk_cut_off_swallows_none_after_it(app: App) -> None:
    Path(f"{app.store}.trail").write_text('{"entry_id": "0", "who": "Do', encoding="utf-8")
    note(app, "Dora", "decide", "brought files")
    note(app, "Rea", "read", "signed out")
    assert [e.who for e in trail(app, 2)] == ["Rea", "Dora"]


def test_what_is_older_than_is_kept_goes_with_the_vehicles_it_names(app: App) -> None:
    day = timedelta(days=1)
    for n, vehicle in ((40, "V-old"), (2, "V-new")):
        note(
            replace(app, clock=lambda n=n: NOON - n * day), "Ada", "admin", "decided", "", [vehicle]
        )
    with open_store(app.store) as con:
        take_in(app, con)
        assert retire(con, app.archive, Retention(), NOON).deeds == 0
        assert retire(con, app.archive, Retention(trail_days=30), NOON).deeds == 1
        assert query(con, "SELECT vehicle_id FROM trail_vehicles")["vehicle_id"].to_list()[-1:] == [
            "V-new"
        ]
    assert [e.vehicles for e in trail(app, 99) if e.done_at < NOON] == [("V-new",)]


def test_a_line_that_is_not_in_the_store_yet_is_listed_first(app: App) -> None:
    n_before = len(trail(app, 99))
    note(app, "Rea", "read", "signed in")
    assert trail(app, 99)[0].who == "Rea"
    assert len(trail(app, 99)) == n_before + 1
