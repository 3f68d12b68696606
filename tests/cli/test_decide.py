"""The command ``decide``, and what ``vehicle`` tells of roles, stock and work."""

import shutil
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner, Result

from afterclear.catalogue.config_tables import read_table
from afterclear.cli import main
from afterclear.config import shipped

pytestmark = pytest.mark.slow

VEHICLES = """vehicle_id,stock_status,make,model,plate
V1,in_fleet,Tarrovane,Pellick,RV-1526 8
Y1,in_stock,,,RV-0001
y-1,in_stock,,,
"""
SCANS = """scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code,distance_since_clear_km
S1,V1,2026-01-01T08:00:00Z,1000,full,brakes,C0034-13,
S1,V1,2026-01-01T08:00:00Z,1000,full,steering,U0415-86,
S1,V1,2026-01-01T08:00:00Z,1000,full,engine,P0420,
S2,Y1,2026-01-01T08:00:00Z,50000,full,engine,,60
"""


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Set up a garage with one vehicle in the fleet and one in stock, analysed."""
    folder = tmp_path_factory.mktemp("garage")
    (folder / "scans.csv").write_text(SCANS, encoding="utf-8")
    (folder / "vehicles.csv").write_text(VEHICLES, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert run("load", "vehicles.csv", "scans.csv").exit_code == 0
        result = run("analyse", "--as-of", "2026-01-05")
        assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def garage(analysed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give each test a garage of its own."""
    shutil.copytree(analysed, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def work() -> str:
    return run("export", "worklist").output


@pytest.mark.usefixtures("garage")
def test_a_decision_is_kept_honoured_and_taken_back() -> None:
    result = run("decide", "V1", "not-a-fault", "--code", "p0420", "--by", "M. Example",
                 "--note", "tuned engine")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "Decision 1 is kept" in result.output
    assert "P0420" not in work()
    assert "tuned engine" in run("export", "worklist_set_aside").output
    kept = run("export", "decisions").output
    assert "M. Example" in kept
    assert "not_a_fault" in kept
    assert "P0420" in run("export", "roles").output, "evidence stays"
    back = run("decide", "--undo", "1", "--by", "N. Other")
    assert "Decision 1 on V1 is undone" in back.output
    assert "P0420" in work()
    assert "N. Other" in run("export", "decisions").output


@pytest.mark.slow
@pytest.mark.usefixtures("garage")
def test_a_decision_outlives_the_next_analysis() -> None:
    run("decide", "V1", "wait", "--code", "P0420", "--until", "2026-02-01", "--by", "M")
    assert run("analyse", "--full", "--as-of", "2026-01-06").exit_code == 0
    assert "P0420" not in work()
    assert run("analyse", "--as-of", "2026-02-02").exit_code == 0
    assert "P0420" in work(), "the wait is over"


@pytest.mark.usefixtures("garage")
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("V1", "wait"), "how long to wait"),
        (("V1", "accept", "--until", "2026-02-01"), "Only a wait has an end"),
        (("V1", "not-a-fault"), "what is not a fault"),
        (("V9", "accept"), "No row in the store"),
        (("V1", "accept", "--attempt", "A0"), "no fix attempt"),
        (("V1", "accept", "--code", "P0999"), "never showed"),
        (("V1", "accept", "--ecu", "brake"), "Use one of: brakes, engine, steering"),
        (("V1", "accept", "--code", "P0420", "--ecu", "brakes"), "never showed a code P0420 in"),
        (("V1", "wait", "--until", "2026-01-04"), "is over already"),
        (("v1", "accept"), "capitals and blanks count"),
        (("V1",), "Say the vehicle"),
        (("V1", "maybe"), "is not one of"),
        (("--undo", "7"), "no decision 7"),
        (("V1", "accept", "--undo", "7"), "only the number"),
        (("V1", "wait", "--until", "soon"), "is no time"),
    ],
)
def test_what_cannot_be_meant_is_refused(words: tuple[str, ...], says: str) -> None:
    result = run("decide", *words, "--by", "M")
    assert result.exit_code == 2
    assert says in result.output
    assert run("export", "decisions").output.count("\n") == 1, "nothing was kept"


def test_a_control_unit_is_named_as_pages_name_it_not_as_its_tool_did(garage: Path) -> None:
    told = "S9,V9,2025-12-01T08:00:00Z,10000,full,ABS,C0034-11,\n"
    (garage / "more.csv").write_text(SCANS.splitlines()[0] + "\n" + told, encoding="utf-8")
    about = ("decide", "V9", "accept", "--code", "C0034-11", "--by", "M")
    assert run("load", "more.csv").exit_code == 0
    assert run("analyse", "--as-of", "2026-01-05").exit_code == 0
    assert "brakes" in run("export", "episodes").output
    assert run(*about, "--ecu", "brakes").exit_code == 0
    refused = run(*about, "--ecu", "ABS")
    assert refused.exit_code == 2
    assert "Use one of: brakes." in refused.output


@pytest.mark.usefixtures("garage")
def test_a_decision_without_a_name_is_refused() -> None:
    assert run("decide", "V1", "accept").exit_code == 2
    assert "who decides" in run("decide", "V1", "accept", "--by", " ").output


@pytest.mark.usefixtures("garage")
def test_decisions_are_listed_and_told_with_their_vehicle() -> None:
    assert run("decide", "--list").output == "No decisions.\n"
    about = (
        "decide",
        "V1",
        "wait",
        "--until",
        "2027-03-01",
        "--code",
        "P0420",
        "--by",
        "M. Example",
    )
    assert run(*about, "--note", "ordered").exit_code == 0
    assert run("decide", "--undo", "1", "--by", "K. Example").exit_code == 0
    listed = run("decide", "--list", "v1").output
    said = "V1 P0420: wait until 01 Mar 2027, by M. Example: ordered (undone on "
    assert said in listed
    assert "by K. Example)" in listed
    assert said in run("vehicle", "V1").output
    assert run("decide", "--list", "Y1").output == "No decisions.\n"


@pytest.mark.usefixtures("garage")
@pytest.mark.parametrize("name", ["V1", "v1", "rv 15268"])
def test_a_vehicle_is_found_by_number_and_plate_whatever_the_capitals(name: str) -> None:
    told = run("vehicle", name).output
    assert told.startswith("V1  RV-1526 8 Tarrovane Pellick\n1 scan\n")


@pytest.mark.usefixtures("garage")
def test_a_name_that_may_be_two_vehicles_is_asked_back() -> None:
    refused = run("vehicle", "y_1")
    assert refused.exit_code == 2
    assert "any of these vehicles: Y1, y-1" in refused.output


@pytest.mark.usefixtures("garage")
def test_vehicle_tells_which_code_is_the_fault_and_which_the_echo() -> None:
    told = run("vehicle", "V1").output
    assert "The fault: C0034-13 in the brake control unit" in told
    assert "An echo: U0415-86 in the steering control unit" in told
    assert "To do (fleet list, rank 1)  SAFETY" in told
    assert "before and after the work, and again after" in told


@pytest.mark.usefixtures("garage")
def test_vehicle_tells_whether_stock_is_ready_and_why_not() -> None:
    told = run("vehicle", "Y1").output
    assert "In stock: HOLD" in told
    assert "not an accusation" in told


# one code of every family that brings a caution: control unit, code, by id of safety.csv
SAFETY = {
    "brakes": ("brakes", "C0020-12"),
    "steering": ("steering", "C0051-54"),
    "restraints": ("airbag", "B0001-13"),
    "high_voltage": ("high voltage battery", "P0AA6-1A"),
    "assistance": ("front camera", "B1A77-54"),
}
ROWS = {
    row["id"]: row
    for row in read_table(
        shipped("config") / "safety.csv",
        ("id", "title", "text", "families", "codes", "ecus", "source"),
    )
}


def test_every_safety_family_has_a_case_here() -> None:
    assert set(ROWS) == {"symptom", "clearing", *SAFETY}


@pytest.fixture(scope="module")
def cautioned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a store and pages in which each safety family has a vehicle with an open fault."""
    folder = tmp_path_factory.mktemp("cautioned")
    rows = [
        f"S,{name},2026-01-01T08:00:00Z,1000,full,{ecu},{code},"
        for name, (ecu, code) in SAFETY.items()
    ]
    head = SCANS.partition("\n")[0]
    (folder / "scans.csv").write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for words in (("load", "scans.csv"), ("analyse",), ("digest",)):
            result = run("--store", "s.duckdb", *words)
            assert result.exit_code == 0, result.output
    return folder


@pytest.mark.parametrize("name", SAFETY)
def test_every_safety_family_shows_its_caution_in_the_terminal(cautioned: Path, name: str) -> None:
    told = run("--store", str(cautioned / "s.duckdb"), "vehicle", name).output
    assert f"CAUTION {ROWS[name]['title']}: {ROWS[name]['text']}" in told
    for general in ("symptom", "clearing"):
        assert ROWS[general]["text"] in told


@pytest.mark.parametrize("name", SAFETY)
def test_every_safety_family_shows_its_caution_in_the_pages(cautioned: Path, name: str) -> None:
    pages = [p.read_text("utf-8") for p in (cautioned / "reports").rglob("*.html")]
    own = [page for page in pages if SAFETY[name][1] in page]
    assert own
    first = ROWS[name]["text"].split(".")[0]
    assert any(first in page for page in own)


@pytest.mark.parametrize("name", SAFETY)
def test_every_safety_family_is_marked_on_the_worklist(cautioned: Path, name: str) -> None:
    out = cautioned / f"{name}.parquet"
    run("--store", str(cautioned / "s.duckdb"), "export", "worklist", "--format", "parquet",
        "-o", str(out))  # fmt: skip
    rows = pl.read_parquet(out).filter(vehicle_id=name, audience="fleet").to_dicts()
    assert [row["safety"] for row in rows] == [True]
    assert name in rows[0]["cautions"].split()


@pytest.mark.parametrize("name", SAFETY)
def test_cautions_defer_to_the_maker_and_to_licensed_people(name: str) -> None:
    """General wording: no waiting times, no torques, no steps of any maker."""
    text = ROWS[name]["text"]
    assert "maker" in text or "authorised" in text
    assert not any(character.isdigit() for character in text)
