"""Digests as files: made again to the byte, left-over pages, tokens for names."""

import os
import re
import shutil
from dataclasses import replace
from datetime import timedelta
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.analysis.deciding import Asked, decide
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.own_words import sought
from afterclear.commands.pages.pseudonym_key import KEY_VARIABLE
from afterclear.commands.pages.write_digests import (
    DigestAsked,
    checked,
    chosen_audiences,
    digest,
    digest_again,
)
from afterclear.commands.pages.write_sheet import write_sheet
from afterclear.commands.queries.exporting import export_frame
from afterclear.deliver.paper import find_browser
from afterclear.digest.common.file_names import sheet_page
from afterclear.digest.input.pseudonyms import Pseudonyms, pseudonymise
from afterclear.errors import ConfigError, UnknownNameError, UsageError
from afterclear.findings.work.decided import Decided, decision_reason
from afterclear.store.engine.database import open_store, query
from afterclear.store.queries.exports import EXPORTS
from afterclear.wording.cells import Cells
from afterclear.wording.work import decision_words
from tests.commands.small_fleet import (
    AS_OF,
    PERSON,
    PLATES,
    VIN,
    loaded_fleet,
    small_fleet,
    told_before,
    with_settings,
)
from tests.store.care_fixture import export_text

pytestmark = pytest.mark.slow

KEY = "a key of the tests, long enough"


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> App:
    return told_before(tmp_path_factory.mktemp("fleet"))


def texts(folder: Path) -> dict[str, str]:
    found = sorted(folder.glob("*.html")) + sorted(folder.glob("*s/*.html"))  # vehicles, sheets
    return {str(path.relative_to(folder)): path.read_text(encoding="utf-8") for path in found}


def test_a_digest_made_twice_is_the_same_to_the_byte(app: App) -> None:
    first = texts(digest(app).index.parent)
    second = texts(digest(app).index.parent)
    assert second == first
    assert "Since the last digest, 15\u00a0Mar\u00a02026" in first["fleet.html"]
    assert ">fault came back</a>" in first["fleet.html"].replace("</b> ", ">")


def test_an_archived_digest_is_made_again_to_the_byte(app: App) -> None:
    made = digest(app)
    again = digest_again(app, made.digest_id)
    assert again.differing == ()
    assert texts(again.index.parent) == texts(made.index.parent)


def test_other_settings_change_nothing_of_an_archived_digest(app: App) -> None:
    """What shaped the pages is kept with the digest, not read from today's settings."""
    made = digest(app)
    other = with_settings(app, '[digest]\nunits = "mi"\nlanguage = "de"\ntitle = "Other"\n')
    assert digest_again(other, made.digest_id).differing == ()
    with_settings(app, "")


def test_a_sheet_written_by_itself_is_the_digest_s_own(app: App, tmp_path: Path) -> None:
    folder = digest(app).index.parent
    alone = write_sheet(app, "k-1", tmp_path / "new" / "k-1.html")
    assert alone.read_bytes() == (folder / sheet_page("K-1")).read_bytes()
    assert PLATES[0] in alone.read_text(encoding="utf-8")


def test_a_vehicle_with_nothing_to_do_has_no_sheet(app: App, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="nothing to do about K-4"):
        write_sheet(app, "K-4", tmp_path / "none.html")
    assert not (tmp_path / "none.html").exists()


@pytest.mark.slow
def test_sums_of_pages_are_kept_for_as_many_days_as_are_set(tmp_path: Path) -> None:
    """Those of each night for ever would outgrow the rest; one a digest does not."""
    own = small_fleet(tmp_path)

    def sums_after(settings: str, days: int) -> list[int]:
        night = AS_OF + timedelta(days=days)
        digest(
            replace(with_settings(own, settings), clock=lambda: night),
            DigestAsked(audiences=("fleet",)),
        )
        with open_store(own.store, read_only=True) as con:
            rows = query(
                con, "SELECT count(*) FROM digest_pages GROUP BY digest_id ORDER BY digest_id"
            )
        return [n for (n,) in rows.iter_rows()]

    (whole,) = sums_after("", 0)
    assert whole > 1
    assert sums_after("", 59) == [whole, whole]
    assert sums_after("", 61) == [1, whole, whole]
    assert sums_after("[keep]\npage_sums_days = 5\n", 65) == [1, 1, whole, whole]


@pytest.mark.slow
def test_a_change_of_the_store_shows_in_the_pages_that_differ(tmp_path: Path) -> None:
    own = small_fleet(tmp_path)
    made = digest(own)
    with open_store(own.store) as con:
        con.execute("UPDATE vehicles SET plate = 'QX 9999' WHERE vehicle_id = 'K-2'")
    differing = digest_again(own, made.digest_id).differing
    assert any(name.startswith("vehicles/v-k-2") for name in differing)
    assert not any(name.startswith("vehicles/v-k-1") for name in differing)


def test_an_archived_digest_of_another_time_says_how_to_get_there(app: App) -> None:
    with pytest.raises(UsageError, match="analyse --full --as-of 2026-03-15"):
        digest_again(app, 1)
    with pytest.raises(UsageError, match="no digest 999"):
        digest_again(app, 999)


def test_pages_of_vehicles_that_are_gone_are_removed_and_nothing_else(app: App) -> None:
    folder = digest(app).index.parent
    old = folder / "vehicles" / "v-gone--0123456789.html"
    old.write_text("old", encoding="utf-8")
    others = [folder / "vehicles" / "notes.html", folder / "v-mine.html", folder / "vehicles" / "v"]
    others[2].mkdir(exist_ok=True)
    for path in others[:2]:
        path.write_text("mine", encoding="utf-8")
    link = folder / "vehicles" / "v-link.html"
    link.symlink_to(others[0])
    assert digest(app).n_removed == 1
    assert not old.exists()
    assert all(path.exists() for path in others)
    assert link.is_symlink()
    link.unlink()
    for path in others[:2]:
        path.unlink()


def test_only_the_audiences_asked_for_are_written(app: App, tmp_path: Path) -> None:
    report = digest(app, DigestAsked(audiences=("stock",), folder=tmp_path))
    assert {p.name for p in report.index.parent.glob("*.html")} == {"stock.html", "index.html"}
    assert chosen_audiences("stock, fleet") == ("fleet", "stock")
    with pytest.raises(UnknownNameError, match="no audience 'boss'"):
        chosen_audiences("fleet,boss")


def test_a_public_digest_names_nobody_and_no_vehicle(
    app: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    report = digest(
        with_settings(app, "[digest]\ntechnicians = true\n"),
        DigestAsked(public=True, folder=tmp_path),
    )
    for name, html in texts(report.index.parent).items():
        for hidden in (*PLATES, VIN, PERSON, "Vance", "W-1", "W-2", "K-1-s1", "Northquay"):
            assert hidden not in html, (name, hidden)
        assert not re.search(r"\bK-[123]\b", html), name
    token = Pseudonyms(KEY.encode(), public=True).token("vehicle", "K-1")
    assert token in (tmp_path / "index.html").read_text(encoding="utf-8")
    garage = (tmp_path / "garage.html").read_text(encoding="utf-8")
    assert 'id="level-technician"' not in garage
    with_settings(app, "")


def test_the_same_name_has_the_same_token_in_pages_and_exports(
    app: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    own = with_settings(app, "[privacy]\npseudonyms = true\n[digest]\ntechnicians = true\n")
    digest(own, DigestAsked(folder=tmp_path))
    token = Pseudonyms(KEY.encode()).token("person", PERSON)
    pages = texts(tmp_path)
    assert any(token in html for html in pages.values())
    assert not any(name in html for html in pages.values() for name in (PERSON, *PLATES, VIN))
    assert any("K-1" in html for html in pages.values()), "vehicle numbers are the user's own"
    repairs = export_frame(own, "repairs")
    assert set(repairs["technician"]) == {token}
    assert set(repairs["notes"]) == {None}, "free text may name anybody"
    assert export_frame(own, "vehicles")["plate"].str.starts_with("plate-").all()
    with_settings(app, "")


def told_by_people(folder: Path) -> App:
    """Give a fleet in which free text names people, and one is called as a page's own word."""
    app = loaded_fleet(folder, "[privacy]\npseudonyms = true\n")
    inbox = folder / "more"
    inbox.mkdir()
    (inbox / "repairs.csv").write_text(
        "repair_id,vehicle_id,repaired_at,odometer_km,technician,codes,action\n"
        "W-8,K-2,2026-04-20T10:00:00Z,73000,Page,P0301,repair\n"
        "W-9,K-2,2026-04-24T10:00:00Z,73400,Hollin,P0301,repair\n",
        encoding="utf-8",
    )
    (inbox / "clears.csv").write_text(
        "vehicle_id,cleared_at,odometer_km,ecu,reason\n"
        f"K-1,2026-05-03T11:00:00Z,54300,,{OUTSIDER} of {PLATES[2]} asked\n",
        encoding="utf-8",
    )
    (inbox / "scans.csv").write_text(
        "scan_id,vehicle_id,scanned_at,ecu,code,description\n"
        f"K-1-s9,K-1,2026-05-14T08:00:00Z,brakes,C0034,as {OUTSIDER} said\n",
        encoding="utf-8",
    )
    load_paths(app, [inbox], Whose(), lambda _: None)
    analyse(app, as_of=AS_OF)
    note = f"{OUTSIDER}: knows {VIN}"
    decide(app, Asked("K-1", "accept", OUTSIDER, note=note))
    decide(app, Asked("K-2", "wait", OUTSIDER, until_km=90_000, note=note))
    decide(app, Asked("K-1", "not_a_fault", OUTSIDER, code="C0034", ecu="brakes", note=note))
    analyse(app, as_of=AS_OF)
    return app


OUTSIDER = "Merriwick Tole"


@pytest.mark.slow
@pytest.mark.parametrize("public", [False, True])
def test_free_text_of_people_stands_on_no_page_and_a_person_called_page_stops_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, public: bool
) -> None:
    """Notes of decisions and reasons of clears: whoever wrote them may have named anybody."""
    monkeypatch.setenv(KEY_VARIABLE, KEY)
    app = told_by_people(tmp_path)
    pages = texts(digest(app, DigestAsked(public=public)).index.parent)
    assert pages
    for name, html in pages.items():
        assert not any(word in html for word in ("Merriwick", VIN, *PLATES)), name
    assert any("accepted as it is" in html or "Decided on" in html for html in pages.values())
    if not public:
        for table in EXPORTS:
            told = export_text(app, table)
            assert not any(word in told for word in ("Merriwick", VIN, "QX4711", *PLATES)), table


def test_a_name_left_on_a_page_still_stops_it() -> None:
    """As a word of its own; inside another word, or made of the pages' own words, it is none."""
    hidden = sought(["Page", "Orrel", "Page Orrel"], frozenset({"Page", "of"}))
    assert hidden == ["Orrel", "Page Orrel"]
    assert list(checked([("a", "<p>Page of Orrelson")], hidden))
    with pytest.raises(RuntimeError, match="1 names would stand in a"):
        list(checked([("a", "<p>by Orrel</p>")], hidden))


def test_what_was_decided_is_told_without_its_note() -> None:
    """In every wording there is."""
    at = AS_OF.replace(tzinfo=None)
    for word, until_at, until_km in (
        ("accept", None, None),
        ("not_a_fault", None, None),
        ("repaired_elsewhere", None, None),
        ("wait", at, None),
        ("wait", None, 1000.0),
        ("wait", at, 1000.0),
    ):
        told = Decided(1, "V", None, None, None, word, until_at, until_km, None, at)
        noted = replace(told, note="x: not a fault: says\nOrrel")
        frame = pl.DataFrame({"decision": [decision_reason(noted)], "note": [noted.note]})
        ((decision, note),) = pseudonymise(frame, Pseudonyms(b"sixteen letters!")).iter_rows()
        assert decision == decision_reason(told)
        assert note is None
        assert "Orrel" not in decision_words(decision, note, Cells())


def test_tokens_depend_on_the_key_and_on_the_kind() -> None:
    one, other = Pseudonyms(b"key one 12345678"), Pseudonyms(b"key two 12345678")
    assert one.token("person", "A") != other.token("person", "A")
    assert one.token("person", "A").partition("-")[2] != one.token("plate", "A").partition("-")[2]


def test_tokens_without_a_key_are_refused(app: App, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(KEY_VARIABLE, raising=False)
    with pytest.raises(ConfigError, match=KEY_VARIABLE):
        digest(app, DigestAsked(public=True))
    monkeypatch.setenv(KEY_VARIABLE, "short")
    with pytest.raises(ConfigError, match="at least 16"):
        digest(app, DigestAsked(public=True))


def test_a_digest_is_printed_on_paper(app: App, tmp_path: Path) -> None:
    if find_browser() is None:
        pytest.skip("no chromium on this machine")
    report = digest(app, DigestAsked(audiences=("stock",), folder=tmp_path, pdf=True))
    (paper,) = report.papers
    assert paper == tmp_path / "stock.pdf"
    assert paper.read_bytes().startswith(b"%PDF-")


def test_without_a_browser_a_pdf_says_what_to_do(
    app: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", os.devnull)
    with pytest.raises(ConfigError, match="printed by Chromium"):
        digest(app, DigestAsked(audiences=("stock",), folder=tmp_path, pdf=True))


def of_sentences(store: Path) -> None:
    """Make a store what the version before left: a worklist in English, no site empty."""
    old = (files("afterclear.store") / "migrations" / "0004_roles.sql").read_text(encoding="utf-8")
    (table,) = re.findall(r"CREATE TABLE worklist \(.*?\);", old, re.DOTALL)
    with open_store(store) as con:
        con.script(
            f"""CREATE TEMP TABLE lines AS FROM worklist;
            DROP TABLE worklist;
            {table}
            INSERT INTO worklist BY NAME
            SELECT * EXCLUDE (deeds, grounds, looks, cost_grounds, decision, note,
                    urgency, since_at, meaning, usual_cost),
                'Find it.' AS action, 'It is open.' AS because, 'To scan now.' AS evidence,
                'the setting' AS loss_basis, 'Decided on Monday: wait' AS decided FROM lines;
            ALTER TABLE process ALTER site SET NOT NULL;
            DELETE FROM stale_vehicles;
            DELETE FROM migrations
            WHERE name IN ('0020_work_reasons.sql', '0022_urgency.sql');"""
        )


@pytest.mark.slow
def test_a_store_that_kept_sentences_says_the_same_after_the_next_analysis(
    app: App, tmp_path: Path
) -> None:
    """Decisions made before stand as they were, and count."""
    own = replace(app, store=tmp_path / "own.duckdb")
    shutil.copy(app.store, own.store)
    decide(own, Asked("K-1", "accept", PERSON, code="C0034", ecu="brakes", note="sold on"))
    asked = ("decisions", "process", "worklist", "worklist_set_aside")
    expected = [export_text(own, name) for name in asked]
    assert all("sold on" in expected[i] for i in (0, 2)), "safety stays on the list"
    of_sentences(own.store)
    analyse(own, as_of=AS_OF)
    assert [export_text(own, name) for name in asked] == expected
    page = digest(own, DigestAsked(("fleet",), tmp_path / "out")).index.parent / "fleet.html"
    assert "accepted as it is" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("first", "then"), [("mi", "km"), pytest.param("km", "mi", marks=pytest.mark.slow)]
)
def test_what_to_do_follows_its_reader_without_a_new_analysis(
    tmp_path: Path, first: str, then: str
) -> None:
    """Analysed in one unit, read in the other: reasons were those of the analysis."""
    app = loaded_fleet(tmp_path, f'[digest]\nunits = "{first}"\n')
    more = tmp_path / "inbox" / "scans_2.csv"
    more.write_text(
        "vehicle_id,scan_id,scanned_at,odometer_km,ecu,codes,distance_since_clear_km\n"
        f"K-3,K3-X,{AS_OF - timedelta(days=1):%Y-%m-%dT%H:%M:%SZ},51000,engine,,90\n"
    )
    load_paths(app, [more], Whose(), lambda _: None)
    analyse(app, as_of=AS_OF)
    told = DigestAsked(folder=tmp_path / "out")
    before = texts(digest(app, told).index.parent)
    turned = with_settings(app, f'[digest]\nunits = "{then}"\nlanguage = "de"\n')
    after = texts(digest(turned, told).index.parent)
    spelled = {unit: re.compile(rf"\d\u00a0{unit}\b") for unit in (first, then)}
    for page in ("stock.html", "fleet.html"):
        assert spelled[first].search(before[page])
        assert spelled[then].search(after[page])
        assert not spelled[first].search(after[page])
    assert "unit" not in re.sub(r"<[^>]*>", "", after["stock.html"]).split()
    english = r"Find and repair|Scan the|before and after the work"
    assert re.search(english, before["fleet.html"])
    assert not re.search(english, after["fleet.html"])
