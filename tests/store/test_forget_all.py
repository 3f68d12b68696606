"""A forgotten vehicle is in no byte that is kept, whatever form it came in, and stays away."""

import gzip
import multiprocessing
import random
import shutil
import signal
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands import forgetting
from afterclear.commands.app import App
from afterclear.commands.forgetting import forget, let_in
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.replaying import replay
from afterclear.commands.pages.write_digests import digest
from afterclear.commands.queries.health import health
from afterclear.commands.upkeep import check
from afterclear.errors import UsageError
from afterclear.readers import looking
from afterclear.store.engine.archive import blob_path, taken_out
from afterclear.store.engine.database import open_store, query
from tests.campaigns import counted, counted_kills, repeats
from tests.store.spoken import (
    NUMBER,
    OTHER,
    OWNER,
    PLATE,
    SCANS,
    VIN,
    app_in,
    deliveries,
    fleet,
    load_inbox,
    places_with_names,
)

FEW = ("1_vehicles.csv", "2_scans.csv", "a_lines.json", "h_zip.zip", f"n_{NUMBER}.list.csv")
START = multiprocessing.get_context("forkserver")


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Deliver every form of file, judge the fleet, write its pages; for copies."""
    folder = tmp_path_factory.mktemp("spoken")
    app = fleet(folder, judged=True)
    assert {p.partition(":")[2].strip() for p in places_with_names(app)} >= {NUMBER, VIN, OWNER}
    return folder


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Deliver a few files and judge nothing; for copies."""
    folder = tmp_path_factory.mktemp("few")
    fleet(folder, judged=False, only=FEW)
    return folder


def copied(origin: Path, folder: Path) -> App:
    shutil.copytree(origin, folder, dirs_exist_ok=True)
    return app_in(folder)


def of_the_other(app: App) -> dict[str, list[tuple[object, ...]]]:
    """Give all rows of the other vehicle, but for the words of its notes."""
    tables = ("vehicles", "scans", "clears", "repairs")
    with open_store(app.store, read_only=True) as con:
        return {
            name: query(
                con,
                f"""SELECT * EXCLUDE (load_id{", notes" if name == "repairs" else ""})
                    FROM {name} WHERE vehicle_id = ? ORDER BY ALL""",
                [OTHER[0]],
            ).rows()
            for name in tables
        }


def asked(app: App, sql: str) -> list[tuple[object, ...]]:
    with open_store(app.store, read_only=True) as con:
        return query(con, sql).rows()


@pytest.mark.slow
def test_no_byte_names_the_vehicle_and_the_same_files_do_not_bring_it_back(
    spoken: Path, tmp_path: Path
) -> None:
    """Store, archive, pages, ledger, and names of files: in four encodings, packed or not."""
    app = copied(spoken, tmp_path)
    before = of_the_other(app)
    (tmp_path / "fleet.duckdb.before-0014_forgetting").write_bytes(VIN.encode())
    forget(app, NUMBER)
    digest(app)
    assert places_with_names(app) == []
    assert of_the_other(app) == before
    assert {r.outcome for r in load_inbox(app)} == {"known", "refused"}
    assert places_with_names(app) == []
    assert check(app).wrong == ()
    kept = dict(
        asked(app, "SELECT file_name, kept_sha256 IS NOT NULL FROM loads JOIN archive_changes "
              "USING (sha256) WHERE outcome = 'stored'")
    )  # fmt: skip
    cut = ("1_vehicles.csv", "4_clears.jsonl", "5_p.parquet", "a_lines.json", "c_wide.list.csv")
    assert all(kept[name] for name in (*cut, "k_mail.eml/m.list.csv"))
    assert not any(kept[name] for name in ("f_tree.xml", "g_book.xlsx", "h_zip.zip", "k_mail.eml"))
    with pytest.raises(UsageError, match="no longer in the archive as it came"):
        replay(app, [1], lambda _: None)


@pytest.mark.slow
def test_what_a_cut_file_keeps_are_the_other_lines_in_their_places(
    few: Path, tmp_path: Path
) -> None:
    app = copied(few, tmp_path)
    forget(app, NUMBER)
    ((kept,),) = asked(
        app,
        "SELECT kept_sha256 FROM archive_changes JOIN loads USING (sha256) "
        "WHERE file_name = '2_scans.csv'",
    )
    with taken_out(app.archive, str(kept), "2_scans.csv") as plain:
        lines = plain.path.read_text().split("\n")
    whole = SCANS.split("\n")
    assert lines == ["" if f",{NUMBER}," in line else line for line in whole]


@pytest.mark.slow
def test_what_is_packed_is_opened_by_the_reading_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And one that unpacks without end goes whole, whatever it names."""

    def _here(*_: object) -> None:
        raise AssertionError("opened in the process that holds the store")

    monkeypatch.setattr(looking, "unpacked", _here)
    monkeypatch.setattr(looking, "check_zip", _here)
    app = fleet(tmp_path, judged=False, only=("2_scans.csv", "h_zip.zip"))
    (tmp_path / "much.gz").write_bytes(gzip.compress(bytes(40_000_000)))
    load_paths(app, [tmp_path / "much.gz"], Whose(), lambda _: None)
    forget(app, NUMBER)
    assert places_with_names(app) == []
    kept = asked(app, "SELECT count(kept_sha256), count(*) FROM archive_changes JOIN loads "
                 "USING (sha256) WHERE file_name = 'much.gz'")  # fmt: skip
    assert kept == [(0, 1)]


@pytest.mark.slow
def test_new_files_are_let_in_without_the_vehicle(few: Path, tmp_path: Path) -> None:
    """Each form again: the other's rows come in, the forgotten one's are refused, no name stays."""
    app = copied(few, tmp_path)
    forget(app, NUMBER)
    for name, content in deliveries().items():
        (tmp_path / "inbox" / name).write_bytes(content)
    loads = {r.file_name: r for r in load_inbox(app)}
    assert places_with_names(app) == []
    assert asked(app, f"SELECT count(*) FROM scans WHERE vehicle_id = '{NUMBER}'") == [(0,)]
    told = {n: (r.rows_stored, r.rows_rejected) for n, r in loads.items() if r.outcome == "stored"}
    assert told["4_clears.jsonl"] == (1, 1)
    assert told["3_repairs.csv"] == (0, 2)  # the other's note quotes the plate
    assert told["5_p.parquet"] == (6, 6)
    for form in ("b_pretty.json", "c_wide.list.csv", "f_tree.xml", "g_book.xlsx"):
        assert told[form] == (1, 1), form
    assert told["k_mail.eml/m.list.csv"] == (1, 1)
    assert asked(
        app, "SELECT line, value, row_json FROM rejections WHERE file_name = '4_clears.jsonl'"
    ) == [(1, None, None)]
    assert check(app, quick=True).wrong == ()
    assert not blob_path(app.archive, loads["k_mail.eml"].sha256).exists()


@pytest.mark.slow
def test_what_is_allowed_comes_in_again(few: Path, tmp_path: Path) -> None:
    app = copied(few, tmp_path)
    forget(app, NUMBER)
    assert asked(app, "SELECT DISTINCT kind FROM forgotten ORDER BY ALL") == [
        ("mark",),
        ("number",),
    ]
    assert forget(app, NUMBER).was_before
    inbox = tmp_path / "inbox"
    moved = f"vehicle_id,plate,site\n{OTHER[0]},{PLATE},North\n"
    (inbox / "moved.csv").write_text(moved, encoding="utf-8")
    assert next(r for r in load_inbox(app) if r.file_name == "moved.csv").rows_rejected == 1
    assert let_in(app, "qä7714") == 1  # the plate alone: it is the other's now
    (inbox / "moved.csv").write_text(moved + "\n", encoding="utf-8")
    assert next(r for r in load_inbox(app) if r.file_name == "moved.csv").rows_stored == 1
    assert let_in(app, NUMBER) > 0
    assert let_in(app, NUMBER) == 0
    (inbox / "2_new.csv").write_text(SCANS.replace("S", "N"), encoding="utf-8")
    (new,) = (r for r in load_inbox(app) if r.file_name == "2_new.csv")
    assert new.rows_rejected == 0
    assert asked(app, f"SELECT count(*) FROM scans WHERE vehicle_id = '{NUMBER}'") == [(6,)]


def test_the_command_says_what_it_does() -> None:
    """Words a person reads: how to let a vehicle in again."""
    told = CliRunner().invoke(main, ["forget", "--help"]).output
    assert "forget allow NAME" in " ".join(told.split())


@pytest.mark.slow
def test_a_number_that_is_also_a_figure_takes_no_other_vehicles_rows(tmp_path: Path) -> None:
    """Vehicle 12 is forgotten; a reading of 12 km and a quantity of 12 are no names."""
    app = app_in(tmp_path)
    (tmp_path / "inbox").mkdir()
    rows = "scan_id,vehicle_id,scanned_at,odometer_km,ecu\nA,12,2025-01-01,5,engine\n"
    rows += "B,13,2025-01-01,12,engine\nC,13,2025-01-02,xy,12\n"
    (tmp_path / "inbox" / "a.csv").write_text(rows, encoding="utf-8")
    load_inbox(app)
    forget(app, "12")
    assert asked(app, "SELECT scan_id, odometer_km FROM scans") == [("B", 12.0)]
    assert asked(app, "SELECT count(*) FROM rejections") == [(1,)]
    (tmp_path / "inbox" / "b.csv").write_text(rows.replace("-01-", "-02-"), encoding="utf-8")
    (load,) = (r for r in load_inbox(app) if r.outcome == "stored")
    assert (load.rows_stored, load.rows_rejected) == (1, 2)
    assert check(app, quick=True).wrong == ()


# --- killed -------------------------------------------------------------------------------------


class _Killed(BaseException):
    """Stands for a kill: nothing that catches errors sees it."""


# where a forgetting dies, and the how many-th time it comes there
MOMENTS = (
    ("go_to", 1),  # the store's rows are erased, but not yet committed
    ("done_with", 3),  # the cut bytes are archived, the old ones not given up
    ("results", 1),
    ("close", 1),  # the job has forgotten the names
    *(pytest.param(step, 1, marks=pytest.mark.slow) for step in ("archive", "beside", "compact")),
)


def killed_at(place: str, time: int, patch: pytest.MonkeyPatch) -> None:
    """Let a forgetting die when it comes to a place."""
    left = [time]

    def counting(work: Callable[..., object]) -> Callable[..., object]:
        def counted(*told: object, **more: object) -> object:
            left[0] -= 1
            if not left[0]:
                raise _Killed
            return work(*told, **more)

        return counted

    if place in forgetting.STEPS:
        patch.setitem(forgetting.STEPS, place, counting(forgetting.STEPS[place]))  # type: ignore[index]
    else:
        patch.setattr(forgetting.steps, place, counting(getattr(forgetting.steps, place)))


@pytest.mark.slow
@pytest.mark.parametrize(("place", "time"), MOMENTS)
def test_killed_at_any_step_the_command_repeated_goes_on(
    few: Path, tmp_path: Path, place: str, time: int
) -> None:
    """Check and health say so meanwhile; the rows of the vehicle are refused already."""
    app = copied(few, tmp_path)
    with pytest.MonkeyPatch.context() as patch:
        killed_at(place, time, patch)
        with pytest.raises(_Killed):
            forget(app, NUMBER)
    assert check(app, quick=True).is_half_forgotten
    assert any("half forgotten" in c for c in health(app).complaints)
    done = forgetting.finish(app) if time == 1 else forget(app, NUMBER)
    assert done is not None
    assert done.files_rewritten > 0
    assert places_with_names(app) == []
    report = check(app, quick=True)
    assert (report.wrong, report.is_half_forgotten) == ((), False)


def _forget_in(folder: Path) -> None:
    forget(app_in(folder), NUMBER)


@pytest.mark.slow
def test_a_kill_at_any_moment_leaves_nothing_once_the_command_was_repeated(
    spoken: Path, tmp_path: Path
) -> None:
    """SIGKILL at moments spread over the whole work; steps found afterwards are counted."""
    START.set_forkserver_preload(["tests.store.test_forget_all"])
    chance = random.Random(20261129)  # noqa: S311 - moments, not secrets
    found: Counter[str] = Counter()
    n_kills = 0
    for number in range(repeats(14)):
        app = copied(spoken, tmp_path / f"killed{number}")
        child = START.Process(target=_forget_in, args=(app.store.parent,))
        child.start()
        child.join(chance.uniform(0.1, 3.0))
        child.kill()
        child.join()
        n_kills += child.exitcode == -signal.SIGKILL  # otherwise it was done before
        with open_store(app.store) as con:
            steps = query(con, "SELECT step FROM forgetting")["step"].to_list()
        found[steps[0] if steps else "not begun, or done"] += 1
        forget(app, NUMBER)
        digest(app)
        assert places_with_names(app) == [], f"kill {number} in {steps}"
        assert check(app, quick=True).wrong == ()
        shutil.rmtree(app.store.parent)
    counted(n_kills, "kills")
    counted_kills({"forget": n_kills})
    print(f"\n{n_kills} kills; steps found afterwards -> times: {sorted(found.items())}")
    assert len(found) > 2, "the kills fell into too few steps: spread them better"


def test_an_altered_archive_file_is_healed_by_the_same_delivery(few: Path, tmp_path: Path) -> None:
    app = copied(few, tmp_path)
    ((altered, lost),) = asked(
        app,
        "SELECT min(sha256) FILTER (file_name = '2_scans.csv'), "
        "min(sha256) FILTER (file_name = '1_vehicles.csv') FROM loads",
    )
    blob_path(app.archive, str(altered)).write_bytes(b"other bytes")
    blob_path(app.archive, str(lost)).unlink()
    assert len(check(app, quick=True).wrong) == 2
    assert {r.outcome for r in load_inbox(app)} == {"known"}
    assert check(app, quick=True).wrong == ()
