"""Files of a folder: only finished ones, once, whatever they are called; links lead nowhere."""

import os
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from afterclear.commands.app import App
from afterclear.commands.intake import fetching
from afterclear.sources.folder import files_in, opened_within, settled
from afterclear.store.engine.database import open_store, query
from tests.sources.garage import HEAD, fates, garage, load, scan


def inbox(folder: Path, **source: Any) -> tuple[App, Path]:
    place = folder / "inbox"
    place.mkdir(exist_ok=True)
    return garage(folder, folder="inbox", **source), place


def test_a_file_is_taken_once_and_again_when_it_changed(tmp_path: Path) -> None:
    app, place = inbox(tmp_path)
    (place / "a.csv").write_text(HEAD + scan(1))
    assert fates(load(app)) == [("a.csv", "stored")]
    assert fates(load(app)) == []
    (place / "a.csv").write_text(HEAD + scan(1) + scan(2))
    (report,) = load(app).results
    assert (report.rows_stored, report.rows_duplicate) == (1, 1)


def test_a_change_that_keeps_size_and_time_is_seen(tmp_path: Path) -> None:
    """A copy may bring an old time with it; the entry's own change gives it away."""
    app, place = inbox(tmp_path)
    (place / "a.csv").write_text(HEAD + scan(1, "P0301"))
    os.utime(place / "a.csv", (1_700_000_000,) * 2)
    load(app)
    (place / "a.csv").write_text(HEAD + scan(1, "P0302"))
    os.utime(place / "a.csv", (1_700_000_000,) * 2)
    assert fates(load(app)) == [("a.csv", "stored")]


def test_a_refused_file_is_told_once_until_something_that_reads_it_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, place = inbox(tmp_path)
    (place / "a.bin").write_bytes(b"\x00\x01nonsense")
    assert fates(load(app)) == [("a.bin", "refused")]
    assert fates(load(app)) == []
    monkeypatch.setattr(fetching, "__version__", "a later one")
    assert fates(load(app)) == [("a.bin", "refused")]


def test_a_half_written_file_is_left_until_it_is_whole(tmp_path: Path) -> None:
    """It grows while it is looked at; the next run takes all of it."""
    app, place = inbox(tmp_path, settle_seconds=0.5)
    file = place / "a.csv"
    file.write_text(HEAD + scan(1)[:10])
    done = threading.Event()

    def write_on() -> None:
        while not done.wait(0.05):
            with file.open("a") as end:
                end.write(scan(1))

    writer = threading.Thread(target=write_on)
    writer.start()
    report = load(app)
    done.set()
    writer.join()
    assert fates(report) == []
    assert report.unsettled == ("share: a.csv",)
    assert report.exit_code == 0
    with open_store(app.store) as con:
        assert query(con, "SELECT count(*) FROM loads").item() == 0
    file.write_text(HEAD + scan(1))
    assert fates(load(app)) == [("a.csv", "stored")]


def test_a_file_that_changes_while_it_is_copied_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It looked finished, then someone wrote on in the middle of the copy."""
    app, place = inbox(tmp_path)
    file = place / "a.csv"
    file.write_text(HEAD + scan(1))
    import afterclear.store.engine.archive as archive  # noqa: PLC0415, PLR0402

    real = archive._read  # noqa: SLF001

    def slow(source: Any, delivered: Path) -> bytes:
        chunk = real(source, delivered)
        if chunk:
            with file.open("a") as end:
                end.write(scan(2))
        return chunk

    monkeypatch.setattr(archive, "_read", slow)
    file.write_text(HEAD + scan(1))
    monkeypatch.setattr(archive, "_CHUNK", 1 << 12)
    report = load(app)
    assert fates(report) == [("a.csv", "left")]
    assert report.exit_code == 4
    monkeypatch.undo()
    assert fates(load(app)) == [("a.csv", "stored")]


def test_a_file_that_vanishes_before_it_is_read_is_told_and_the_others_are_loaded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, place = inbox(tmp_path)
    for name in ("a.csv", "b.csv"):
        (place / name).write_text(HEAD + scan(1))
    real = fetching._arrival  # noqa: SLF001

    def vanish(*given: Any) -> Any:
        (place / "a.csv").unlink(missing_ok=True)
        return real(*given)

    monkeypatch.setattr(fetching, "_arrival", vanish)
    report = load(app)
    assert fates(report) == [("a.csv", "left"), ("b.csv", "stored")]


def test_a_young_file_is_looked_at_twice_an_old_one_once(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("x")
    waits: list[float] = []
    now = file.stat().st_ctime
    assert settled([file], 5, now + 6, waits.append) == ([file], [])
    assert waits == []
    assert settled([file], 5, now + 1, waits.append) == ([file], [])
    assert waits == [5]


def test_a_file_from_the_future_is_looked_at_twice_and_taken(tmp_path: Path) -> None:
    """The clock was set back after it came."""
    file = tmp_path / "a.csv"
    file.write_text("x")
    waits: list[float] = []
    assert settled([file], 5, file.stat().st_ctime - 3600, waits.append) == ([file], [])
    assert waits == [5]


# --- moved, kept, read-only -----------------------------------------------------------------


def test_a_loaded_file_is_moved_when_asked_a_refused_one_stays(tmp_path: Path) -> None:
    app, place = inbox(tmp_path, after_loading="move")
    (place / "yard").mkdir()
    (place / "yard" / "a.csv").write_text(HEAD + scan(1))
    (place / "b.bin").write_bytes(b"\x00\x01nonsense")
    load(app)
    assert (place / ".loaded" / "yard" / "a.csv").exists()
    assert [p.name for p in files_in(place)] == ["b.bin"]
    (place / "yard" / "a.csv").write_text(HEAD + scan(2))
    load(app)
    assert (place / ".loaded" / "yard" / "a-2.csv").exists()


def test_a_file_that_cannot_be_moved_is_loaded_once_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder is read-only to us."""
    app, place = inbox(tmp_path, after_loading="move")
    (place / "a.csv").write_text(HEAD + scan(1))

    def refuse(*_: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(fetching, "move_aside", refuse)
    report = load(app)
    assert fates(report) == [("a.csv", "stored")]
    assert "cannot be moved" in report.out_of_reach[0]
    assert fates(load(app)) == []


# --- hostile names and links ----------------------------------------------------------------

NAMES = [
    'it\'s a "list".csv',
    "line\nbreak.csv",
    "tab\tand\x1b[31mred.csv",
    "=cmd|' !A0.csv",
    "; rm -rf ~.csv",
    "'); DROP TABLE loads; --.csv",
    "<script>alert(1)</script>.csv".replace("/", ""),
    "%s%n{0}${x}.csv",
    "ä" * 80 + ".csv",
    "\u202egnp.csv",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_may_hold_anything_and_does_nothing(tmp_path: Path, name: str) -> None:
    """Loaded once, told on one line, harmless in SQL and in the terminal."""
    app, place = inbox(tmp_path)
    (place / name).write_text(HEAD + scan(1))
    ((told, fate),) = fates(load(app))
    assert fate == "stored"
    assert not any(ord(c) < 32 or c == "\u202e" for c in told)
    assert fates(load(app)) == []
    with open_store(app.store) as con:
        assert query(con, "SELECT file_name FROM loads").rows() == [(told,)]


def test_a_name_that_is_no_utf_8_is_loaded(tmp_path: Path) -> None:
    app, place = inbox(tmp_path)
    raw = os.fsencode(place) + b"/caf\xe9.csv"
    with open(raw, "w") as file:  # noqa: PTH123 - bytes are the point
        file.write(HEAD + scan(1))
    assert fates(load(app)) == [("caf\ufffd.csv", "stored")]


def test_links_lead_nowhere(tmp_path: Path) -> None:
    """To a file outside, to a folder outside, to itself, to nothing: all are left alone."""
    app, place = inbox(tmp_path)
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text(HEAD + scan(1))
    (place / "file.csv").symlink_to(outside / "secret.csv")
    (place / "folder").symlink_to(outside)
    (place / "round").symlink_to(place)
    (place / "nothing.csv").symlink_to(tmp_path / "nowhere")
    (place / "real.csv").write_text(HEAD + scan(2))
    (place / "within.csv").symlink_to(place / "real.csv")
    assert [name for name, _ in fates(load(app))] == ["real.csv", "within.csv"]


@pytest.mark.parametrize("swapped", ["file", "folder", "pipe"])
def test_what_is_put_in_a_files_place_after_it_was_listed_is_not_read(
    swapped: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A link to a file outside, a folder of the path made a link, a pipe that would never end."""
    app, place = inbox(tmp_path)
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "a.csv").write_text(HEAD + scan(1))
    (place / "below").mkdir()
    listed = place / "below" / "a.csv"
    listed.write_text(HEAD + scan(2))

    def swap(*asked: Any) -> Any:
        told = settled(*asked)
        listed.unlink()
        if swapped == "file":
            listed.symlink_to(outside / "a.csv")
        elif swapped == "pipe":
            os.mkfifo(listed)
        else:
            (place / "below").rmdir()
            (place / "below").symlink_to(outside)
        return told

    monkeypatch.setattr(fetching, "settled", swap)
    assert fates(load(app)) == [("below/a.csv", "left")]
    with open_store(app.store) as con:
        assert query(con, "SELECT count(*) FROM scans").item() == 0


def test_a_link_swapped_in_between_check_and_opening_is_not_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last moment: where the path leads was looked at, and the file is about to be opened."""
    (tmp_path / "inbox" / "below").mkdir(parents=True)
    (tmp_path / "secret.csv").write_text("x")
    listed = tmp_path / "inbox" / "below" / "a.csv"
    listed.symlink_to(tmp_path / "secret.csv")
    monkeypatch.setattr(Path, "resolve", lambda self: self)
    with pytest.raises(OSError, match="symbolic links"):
        opened_within(listed, tmp_path / "inbox")


@pytest.mark.parametrize("name", ["a.csv.part", "A.CSV.PART", "b.TMP", "notes.md", "NOTES.MD"])
def test_what_is_being_written_and_notes_are_left_alone(tmp_path: Path, name: str) -> None:
    app, place = inbox(tmp_path)
    (place / name).write_text(HEAD + scan(1))
    assert fates(load(app)) == []


def test_a_pipe_in_the_inbox_does_not_hang_the_load(tmp_path: Path) -> None:
    app, place = inbox(tmp_path)
    os.mkfifo(place / "pipe.csv")
    begun = time.monotonic()
    assert fates(load(app)) == []
    assert time.monotonic() - begun < 20


def test_a_file_over_the_limit_is_refused_before_it_is_read(tmp_path: Path) -> None:
    app, place = inbox(tmp_path)
    (place / "a.csv").write_text(HEAD + scan(1))
    settings = app.config.settings
    small = settings.model_copy(
        update={"limits": settings.limits.model_copy(update={"max_file_mb": 1e-5})}
    )
    app.config.settings = small
    (result,) = load(replace(app)).results
    assert result.outcome == "refused"
    assert "limits.max_file_mb" in result.note
    assert not list(app.archive.glob("*/*"))
