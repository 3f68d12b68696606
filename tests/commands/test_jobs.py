"""Jobs of the timetable: each does what it says, is remembered, and keeps to its bounds."""

import json
from datetime import timedelta
from pathlib import Path

import pytest

from afterclear.commands.app import App
from afterclear.commands.running.accounting import Account, Due
from afterclear.commands.running.jobs import do_job
from afterclear.config import Config, NamedJob
from afterclear.errors import ConfigError, StoreError
from afterclear.store.engine.database import open_store, query
from afterclear.store.queries.journal import last_due, last_runs
from afterclear.store.upkeep.backup import verify_backup
from tests.faults.child import NOW
from tests.store.care_fixture import copy_of_garage


@pytest.fixture
def app(tmp_path: Path, template: Path) -> App:
    config = tmp_path / "config"
    config.mkdir()
    (config / "sources.toml").write_text(
        "".join(
            f'[[source]]\nname = "{name}"\nfolder = "{name}"\nsettle_seconds = 0\n'
            for name in ("north", "south")
        )
    )
    for name in ("north", "south"):
        (tmp_path / name).mkdir()
        (tmp_path / name / f"{name}.csv").write_text(
            f"scan_id,vehicle_id,scanned_at,odometer_km\n{name},V2,2025-12-01T08:00:00Z,19000\n"
        )
    copied = copy_of_garage(template, tmp_path)
    return App(Config(config), copied.store, lambda: NOW)


def do(app: App, does: str, **more: object) -> Account:
    job = NamedJob.model_validate({"name": does, "does": does, "every": "1d", **more})
    return do_job(app, job, Due(NOW, 2), lambda _: None)


def test_a_load_of_one_source_leaves_the_others(app: App) -> None:
    assert do(app, "load", sources=["south"]).report["files"] == 1
    with open_store(app.store) as con:
        assert query(con, "SELECT source FROM loads WHERE load_id > 6").rows() == [("south",)]


def test_what_was_done_is_remembered_with_when_it_was_due(app: App) -> None:
    do(app, "load")
    with open_store(app.store) as con:
        assert last_due(con) == {"load": NOW}
        (run,) = last_runs(con, 5)
    assert (run.outcome, run.n_missed, run.report["files"]) == ("done", 2, 2)


@pytest.mark.slow
def test_a_digest_job_tells_of_what_is_loaded_now(app: App) -> None:
    """It analyses first; and writes only the audiences asked for."""
    do(app, "load")
    do(app, "digest", audiences=["fleet"])
    with open_store(app.store) as con:
        assert query(con, "SELECT count(*) FROM stale_vehicles").item() == 0
    names = {p.name for p in app.reports.glob("*.html")}
    assert "fleet.html" in names
    assert "garage.html" not in names


def test_backups_are_kept_to_their_number_the_newest(app: App) -> None:
    for day in range(4):
        now = NOW + timedelta(days=day)
        do(App(app.config, app.store, lambda now=now: now), "backup", into="backups", keep=2)  # type: ignore[misc]
    names = sorted(p.name for p in (app.store.parent / "backups").iterdir())
    assert names == ["backup-2026-11-03T120000Z.tar", "backup-2026-11-04T120000Z.tar"]
    for name in names:
        verify_backup(app.store.parent / "backups" / name)


def test_backups_of_jobs_whose_names_begin_alike_are_left_alone(app: App) -> None:
    """'backup' and 'backup-weekly' in one folder, and a file a person put there."""
    folder = app.store.parent / "backups"
    folder.mkdir()
    (folder / "backup-before-the-move-Z.tar").write_text("mine")
    for day in range(3):
        now = NOW + timedelta(days=day)
        for name in ("backup", "backup-weekly", "backup [x]"):
            at = App(app.config, app.store, lambda now=now: now)  # type: ignore[misc]
            do(at, "backup", name=name, into="backups", keep=2)
    assert sorted(p.name for p in folder.iterdir()) == sorted(
        ["backup-before-the-move-Z.tar"]
        + [
            f"{name}-2026-11-0{day}T120000Z.tar"
            for name in ("backup", "backup-weekly", "backup [x]")
            for day in (2, 3)
        ]
    )


@pytest.mark.slow
def test_a_check_job_that_finds_something_fails_and_says_what(app: App) -> None:
    with open_store(app.store) as con:
        con.execute("DELETE FROM repairs WHERE repair_id = 'R1'")
    with pytest.raises(StoreError, match="stored rows are there"):
        do(app, "check")
    with open_store(app.store) as con:
        (run,) = last_runs(con, 1)
    assert run.outcome == "failed"
    assert "stored rows are there" in json.dumps(run.report)


def test_a_source_out_of_reach_is_remembered(app: App) -> None:
    (app.store.parent / "north" / "north.csv").unlink()
    (app.store.parent / "north").rmdir()
    account = do(app, "load")
    assert account.outcome == "out_of_reach"
    assert account.report["files"] == 1


WRONG = [
    ('[[job]]\nname="a"\ndoes="load"\nevery="1d"\nat="0 3 * * *"', "exactly one of at and every"),
    ('[[job]]\nname="a"\ndoes="load"', "exactly one of at and every"),
    ('[[job]]\nname="a"\ndoes="load"\nevery="0d"', "every"),
    ('[[job]]\nname="a"\ndoes="backup"\nevery="1d"', "a folder to go into"),
    ('[[job]]\nname="a/b"\ndoes="backup"\ninto="x"\nevery="1d"', "no / or"),
    ('[[job]]\nname="a"\ndoes="sing"\nevery="1d"', "does"),
    ('[[job]]\nname="a"\ndoes="load"\nevery="1d"\n' * 2, "two jobs"),
    ('[[job]]\nname="a"\ndoes="load"\nevery="1d"\nsources=["west"]', "'west', which does not"),
]


@pytest.mark.parametrize(("text", "words"), WRONG)
def test_a_wrong_timetable_is_refused_in_words(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "schedule.toml").write_text(text)
    with pytest.raises(ConfigError, match=words):
        Config(tmp_path)


def test_jobs_of_ones_own_replace_the_nightly_run_unless_it_is_named(tmp_path: Path) -> None:
    assert [j.name for j in Config(tmp_path).timetable.jobs] == ["run"]
    own = '[[job]]\nname="a"\ndoes="load"\nevery="1d"\n'
    (tmp_path / "schedule.toml").write_text(own)
    assert [j.name for j in Config(tmp_path).timetable.jobs] == ["a"]
    (tmp_path / "schedule.toml").write_text('[run]\nat = "0 4 * * *"\n' + own)
    assert [j.name for j in Config(tmp_path).timetable.jobs] == ["run", "a"]
