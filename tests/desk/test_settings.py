"""Settings are changed in their files: checked, comments kept, and never over another's change."""

import json
import os
from collections.abc import Mapping
from pathlib import Path

import pytest

from afterclear.commands.app import App, app_at
from afterclear.commands.init_and_demo import init
from afterclear.commands.settings_file import change_settings, fields_of
from afterclear.commands.trail import trail
from afterclear.config import Config
from afterclear.errors import ConfigError, UsageError
from tests.desk.test_access import Served, form

TIMETABLE = """# When things are done
[[job]]
name = "back.up"    # its name has a dot
does = "backup"
into = "copies"
at = "30 4 * * sun"  # before the yard opens

[[job]]
name = "north"
does = "load"
every = "2h"
"""


@pytest.fixture
def app(tmp_path: Path) -> App:
    init(tmp_path)
    (tmp_path / "config" / "schedule.toml").write_text(TIMETABLE)
    return app_at(Config(tmp_path / "config"), tmp_path / "afterclear.duckdb")


def change(app: App, **wanted: str) -> list[str]:
    """Change fields; dots of their names are written as two underscores."""
    fields = {name.replace("__", "."): text for name, text in wanted.items()}
    seen = fields_of(Config(app.config.folder))
    return change_settings(app, seen, fields, lambda _old, _new: None)[1]


def text(app: App, name: str) -> str:
    assert app.config.folder is not None
    return (app.config.folder / name).read_text(encoding="utf-8")


def test_what_is_changed_is_written_and_every_comment_stays(app: App) -> None:
    before = {name: text(app, name) for name in ("afterclear.toml", "sources.toml")}
    changed = change(
        app,
        digest__units="mi",
        digest__title="Yard “North” & Söhne",
        digest__language="en",
        mail__fleet="a@yard.example; b@yard.example",
        source__inbox__zone="Europe/Berlin",
    )
    assert changed == ["digest.title", "digest.units", "mail.fleet", "source.inbox.zone"]
    for name, old in before.items():
        lines = text(app, name).splitlines()
        assert [line for line in old.splitlines() if line not in lines] == []
        assert len(lines) <= len(old.splitlines()) + 3
    config = Config(app.config.folder)
    assert config.settings.digest.title == "Yard “North” & Söhne"
    assert config.settings.mail.fleet == ("a@yard.example", "b@yard.example")
    assert config.sources[0].zone == "Europe/Berlin"


def test_times_are_written_as_people_say_them(app: App) -> None:
    fields = {"job.back.up.when": "5:07", "job.north.when": "0 6 * * mon"}
    change_settings(app, fields_of(app.config), fields, lambda _old, _new: None)
    jobs = {job.name: (job.at, job.every) for job in Config(app.config.folder).timetable.jobs}
    assert jobs == {"back.up": ("7 5 * * *", None), "north": ("0 6 * * mon", None)}
    assert "# its name has a dot" in text(app, "schedule.toml")
    assert change(app, job__north__when="every 30m") == ["job.north.when"]
    assert fields_of(Config(app.config.folder))["job.back.up.when"] == "05:07"


def test_a_source_is_added_and_removed(app: App) -> None:
    change(app, new__name="south", new__place="sftp://yard@files.example/south", new__zone="")
    assert [s.name for s in Config(app.config.folder).sources] == ["inbox", "south"]
    change(app, source__south__place="deliveries", source__inbox__remove="yes")
    (south,) = Config(app.config.folder).sources
    assert (south.url, str(south.folder)) == (None, "deliveries")


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ({"digest__units": "miles"}, "afterclear.toml: digest, units: expected 'km' or 'mi'"),
        ({"digest__zone": "Mars"}, "Mars"),
        ({"new__name": "x", "new__place": "ftp://x.example"}, "a url begins with"),
        ({"new__name": "inbox", "new__place": "more"}, "two sources are called 'inbox'"),
        ({"job__north__when": "every now and then"}, "job 2, every: expected a whole number"),
    ],
)
def test_what_config_would_refuse_is_not_written(
    app: App, wanted: Mapping[str, str], told: str
) -> None:
    names = ("afterclear.toml", "sources.toml", "schedule.toml")
    before = [text(app, name) for name in names]
    with pytest.raises(ConfigError, match=told):
        change(app, **wanted)
    assert [text(app, name) for name in names] == before


def test_a_change_by_somebody_else_is_told_and_not_written_over(app: App) -> None:
    seen = fields_of(app.config)
    change(app, digest__units="mi", source__inbox__remove="yes")
    with pytest.raises(UsageError, match=r"digest\.units: km -> mi") as refused:
        change_settings(app, seen, {"digest.title": "Yard"}, lambda _old, _new: None)
    assert "source.inbox.place: inbox -> -" in str(refused.value)
    assert Config(app.config.folder).settings.digest.title == ""


def test_no_moment_shows_a_settings_file_to_more_people_than_before(
    app: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = tmp_path / "config"
    (config / "afterclear.toml").chmod(0o640)
    (config / "sources.toml").unlink()
    rights: dict[str, int] = {}
    kept, opened = list[int](), os.open

    def watched(path: str | Path, flags: int, mode: int = 0o777, **more: int) -> int:
        file = opened(path, flags, mode, **more)
        rights[Path(path).name] = os.fstat(file).st_mode & 0o777
        return file

    monkeypatch.setattr(os, "open", watched)
    monkeypatch.setattr(os, "fsync", kept.append)
    change(app, digest__units="mi", new__name="x", new__place="inbox")
    assert (rights[".afterclear.toml.part"] & ~0o640, rights[".sources.toml.part"]) == (0, 0o600)
    assert len(kept) == 2
    modes = [(config / n).stat().st_mode & 0o777 for n in ("afterclear.toml", "sources.toml")]
    assert modes == [0o640, 0o600]
    assert list(config.glob(".*")) == []


def test_without_a_folder_nothing_can_be_kept(tmp_path: Path) -> None:
    app = app_at(Config(None), tmp_path / "a.duckdb")
    with pytest.raises(UsageError, match="afterclear init"):
        change_settings(app, {}, {"digest.units": "mi"}, lambda _old, _new: None)


@pytest.mark.parametrize(
    "name",
    [
        *(f"source.inbox.{key}" for key in ("after_loading", "move_to", "secret", "ca_file")),
        *("source.nobody.remove", "digest.technicians", "mail.sender", "job.north.into", "new.url"),
    ],
)
def test_only_what_the_page_shows_is_changed(app: App, name: str) -> None:
    with pytest.raises(UsageError, match=f"does not change {name}"):
        change_settings(app, fields_of(app.config), {name: "move"}, lambda _old, _new: None)
    assert fields_of(Config(app.config.folder)) == fields_of(app.config)


# --- the page ---------------------------------------------------------------------------------


@pytest.fixture
def served(app: App, tmp_path: Path) -> Served:
    return Served(tmp_path, app.config)


def sent(served: Served, **wanted: str) -> int:
    seen = json.dumps(fields_of(Config(served.app.config.folder)))
    fields = {name.replace("__", "."): text for name, text in wanted.items()}
    return form(served.sign_in("Ada"), "/settings", data={"seen": seen} | fields)


def test_the_desk_goes_on_with_what_was_changed_and_lists_who_did(served: Served) -> None:
    assert sent(served, digest__units="mi", digest__title="<b>Yard") == 200
    assert served.desk.app.config.settings.digest.units == "mi"
    assert trail(served.app, 1)[0].about == "digest.title, digest.units"
    page = served.sign_in("Ada").get("/settings").text
    assert "&lt;b&gt;Yard" in page
    assert "Next on" in page


def test_what_is_refused_keeps_what_was_typed(served: Served) -> None:
    ada = served.sign_in("Ada")
    seen = {"seen": "no json"}
    assert form(ada, "/settings", data=seen) == 400
    assert sent(served, job__north__when="61 99 * * *") == 400


@pytest.mark.parametrize(
    "place", ["https://elsewhere.example/x", "/etc", "..", ".", "config", "config/imports"]
)
def test_from_elsewhere_a_source_is_only_added_below_the_garage(served: Served, place: str) -> None:
    """Another folder would show any file of the account; an address would get the old password."""
    assert sent(served, source__inbox__place=place) == 400
    assert sent(served, new__name="x", new__place=place) == 400
    assert sent(served, new__name="x", new__place="inbox/north") == 200


def test_from_elsewhere_a_source_is_not_put_where_another_one_is(app: App, tmp_path: Path) -> None:
    """The other's address would get this one's password."""
    change(app, new__name="south", new__place="sftp://yard@files.example/south")
    served = Served(tmp_path, Config(app.config.folder))
    assert sent(served, source__inbox__place="sftp://yard@files.example/south") == 400
    assert sent(served, source__south__pattern="*.csv") == 200


@pytest.mark.parametrize(
    "place", ["data", "data/uploads", "data/uploads/x", "data/afterclear.archive/ab"]
)
def test_from_elsewhere_no_source_is_where_the_desk_keeps_files(
    app: App, tmp_path: Path, place: str
) -> None:
    """A file that only waits would be loaded, and the archive would be loaded into itself."""
    (tmp_path / "data").mkdir()
    served = Served(tmp_path / "data", app.config)
    assert sent(served, new__name="x", new__place=place) == 400
    assert sent(served, new__name="x", new__place="data/inbox") == 200
