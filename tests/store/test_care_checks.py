"""Every check can fail: each breach, planted by hand, is found by its own sentence."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from afterclear.commands.app import App
from afterclear.commands.upkeep import check
from afterclear.store.engine.archive import blob_path
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.upkeep.checks import CHECKS, check_rows
from tests.store.care_fixture import copy_of_garage

pytestmark = pytest.mark.slow

_HELD_BY = {"vehicles": "vehicles", "scans": "scan_lines", "clears": "clears", "repairs": "repairs"}
# a sentence's words, and what breaks it
BREACHES = [
    ("rows read are rows stored", "UPDATE loads SET rows_read = 99 WHERE load_id = 1"),
    ("without a gap", "UPDATE loads SET load_id = 99 WHERE load_id = 6"),
    (
        "No file was stored twice",
        "INSERT INTO loads SELECT * REPLACE (7 AS load_id) FROM loads WHERE load_id = 6",
    ),
    ("stored rows are there", "DELETE FROM repairs WHERE repair_id = 'R1'"),
    ("refused rows are there", "DELETE FROM rejections"),
    *(
        (
            f"No two rows of {name} have",
            f"INSERT INTO {part} SELECT * FROM {part} ORDER BY ALL LIMIT 1",
        )
        for name, part in _HELD_BY.items()
    ),
    *(
        (f"Every row of {name} belongs", f"UPDATE {part} SET load_id = 77")
        for name, part in {**_HELD_BY, "scans": "scan_facts"}.items()
    ),
    *(
        (f"Every row of {name} belongs", f"UPDATE {name} SET load_id = 77")
        for name in ("superseded", "rejections")
    ),
    (
        "one line of scan_facts",
        "DELETE FROM scan_lines WHERE fact_no IN (SELECT min(fact_no) FROM scan_lines)",
    ),
    ("one line of unit_answers", "DELETE FROM unit_answers WHERE code IS NULL"),
    ("A row was superseded", "UPDATE superseded SET superseded_by = 1"),
    (
        "No file is remembered twice",
        "INSERT INTO cursors SELECT 's', 'n', 't', 'stored', 'r', now()::TIMESTAMP FROM range(2)",
    ),
    ("Every attempt_id of attempts", "DELETE FROM verdicts"),
    ("Every attempt_id of verdicts", "DELETE FROM attempts"),
    ("Every fix_no of evidence_runs", "UPDATE evidence_runs SET fix_no = -1"),
    ("Every attempt_id of fix_numbers", "UPDATE fix_numbers SET attempt_id = 'x'"),
    ("Every first_scan_no of evidence_runs", "UPDATE evidence_runs SET first_scan_no = -1"),
    ("Every pattern_no of scan_moments", "UPDATE scan_moments SET pattern_no = -1"),
    ("Every pattern_no of clears_placed", "UPDATE clears_placed SET pattern_no = -1"),
    ("Every scan_no of unit_notes", "UPDATE unit_notes SET scan_no = -1"),
    ("Every scan_id of scan_moments", "UPDATE scan_moments SET scan_id = 'x'"),
    ("Every scan_id of sightings", "UPDATE sightings SET scan_id = 'x'"),
    (
        "Every repair_id of order_texts",
        "INSERT INTO order_texts (vehicle_id, repair_id, notes) VALUES ('V1', 'x', 'new coil')",
    ),
    ("Every beside_repair_id of attempts", "UPDATE attempts SET beside_repair_id = 'x'"),
    ("Every repair_id of attempts", "UPDATE attempts SET repair_id = 'x'"),
    ("Every returned_scan_id", "UPDATE attempts SET returned_scan_id = 'x'"),
    ("Every vehicle_id of episodes", "UPDATE episodes SET vehicle_id = 'x'"),
    ("Every unit_no of unit_watch", "UPDATE unit_watch SET unit_no = -1"),
    ("Every unit_no of fault_watch", "UPDATE fault_watch SET unit_no = -1"),
    ("No attempt is judged twice", "INSERT INTO verdicts SELECT * FROM verdicts"),
    ("odometer line falls", "UPDATE scan_moments SET reading_km = 9e9 WHERE scan_id = 'S10'"),
    ("Every probability", "UPDATE verdicts SET p_not_held = 1.5"),
    ("came back is one that was seen", "UPDATE verdicts SET outcome = 'held'"),
]


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory, template: Path) -> Iterator[Connection]:
    """Open one copy for all planted breaches; each is taken back."""
    app = copy_of_garage(template, tmp_path_factory.mktemp("breaches"))
    with open_store(app.store) as opened:
        yield opened


def told(app: App, *, quick: bool = True) -> list[str]:
    return [finding.says for finding in check(app, quick=quick).wrong]


def test_an_untouched_store_has_nothing_wrong(app: App) -> None:
    """... and no check is left out."""
    report = check(app)
    assert report.wrong == ()
    assert [f.left_out for f in report.findings] == [""] * len(report.findings)


@pytest.mark.parametrize(("words", "breach"), BREACHES, ids=[w for w, _ in BREACHES])
def test_a_planted_breach_is_found(con: Connection, words: str, breach: str) -> None:
    con.execute("BEGIN")
    con.execute(breach)
    found = [finding.says for finding in check_rows(con) if finding.n_breaches]
    con.execute("ROLLBACK")
    assert any(words in sentence for sentence in found), found


@pytest.mark.slow
def test_a_verdict_that_its_scans_do_not_give_is_found(app: App) -> None:
    with open_store(app.store) as con:
        con.execute("UPDATE attempts SET clean_km = clean_km + 1")
    assert any("can be made again" in sentence for sentence in told(app, quick=False))


def test_every_check_has_a_breach_of_its_own() -> None:
    for one in CHECKS:
        assert any(words in one.says for words, _ in BREACHES), one.says


def _a_blob(app: App) -> Path:
    with open_store(app.store) as con:
        return blob_path(app.archive, query(con, "SELECT min(sha256) FROM loads").item())


def test_a_missing_archived_file_is_found(app: App) -> None:
    _a_blob(app).unlink()
    assert [s for s in told(app) if "is in the archive" in s]


@pytest.mark.parametrize("place", [10, -3])
def test_a_changed_archived_file_is_found(app: App, place: int) -> None:
    raw = bytearray(_a_blob(app).read_bytes())
    raw[place] ^= 1
    _a_blob(app).write_bytes(raw)
    assert [s for s in told(app) if "bytes it came with" in s]


def test_of_many_changed_files_some_are_named_and_all_counted(app: App) -> None:
    places = list(app.archive.glob("??/*.zst"))
    assert len(places) == 6
    for place in places:
        place.write_bytes(b"something else")
    (found,) = [f for f in check(app, quick=True).wrong if "bytes it came with" in f.says]
    assert (found.n_breaches, len(found.examples)) == (6, 5)


def test_results_are_not_judged_while_an_analysis_is_unfinished(app: App) -> None:
    """A killed analysis leaves a mark; its half-new results are no damage."""
    with open_store(app.store) as con:
        con.execute("INSERT INTO unfinished VALUES ('analysis', now()::TIMESTAMP)")
        con.execute("DELETE FROM verdicts")
    report = check(app)
    assert report.wrong == ()
    assert any("did not finish" in f.left_out for f in report.findings)
