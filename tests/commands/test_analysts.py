"""What analysts and other programs build on: views, SQL, frames in Python, workbooks, schemas."""

import doctest
import json
import runpy
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import jsonschema
import polars as pl
import pytest
from click.testing import CliRunner
from frictionless import Resource, Schema
from python_calamine import CalamineWorkbook

import afterclear
from afterclear.cli import main, sql
from afterclear.commands.app import App
from afterclear.commands.init_and_demo import DemoReport
from afterclear.commands.queries.exporting import TABLES, export_frame, write_frame
from afterclear.commands.queries.workbook import MOST_ROWS, write_workbook
from afterclear.errors import UsageError
from afterclear.export_columns import holds
from afterclear.garage import Garage
from afterclear.plain import TABLES as PLAIN
from afterclear.plain_schemas import json_schema, table_schema
from afterclear.store.queries.public_views import SCHEMA, VIEWS
from tests.commands.columns_v1 import present, promised

Demo = tuple[App, DemoReport]
SENTENCES = {"why", "because", "sentence", "action", "evidence", "loss_basis", "decided"}
HELP = Path(afterclear.__file__).parent / "help"


@pytest.fixture(scope="module")
def app(demo_run: Demo) -> App:
    return demo_run[0]


def run(app: App, *words: str) -> str:
    shown = CliRunner().invoke(main, ["--store", str(app.store), *words])
    assert shown.exit_code == 0, shown.output
    return shown.stdout


def test_no_column_of_the_views_goes_or_changes_its_meaning_unseen() -> None:
    """The promise of ``tables_v1``, as it was given: to add is allowed, all else is a new name.

    ``columns_v1.tsv`` was written by ``python -m tests.commands.columns_v1``, which only adds.
    """
    assert [line for line in promised() if line not in present()] == []
    assert set(VIEWS) == {line.partition("\t")[0] for line in promised()}


@pytest.mark.parametrize("table", TABLES)
def test_every_column_that_can_be_taken_out_is_explained(app: App, table: str) -> None:
    """A column that goes, comes or changes its place is seen here: columns are a contract."""
    told = holds(table)
    assert export_frame(app, table).columns == list(told.columns)
    assert told.about
    assert all(told.columns.values())


def test_any_client_of_the_database_reads_the_views_with_their_comments(app: App) -> None:
    with duckdb.connect() as con:  # under a name of the client's own
        con.execute(f"ATTACH '{app.store}' AS theirs (READ_ONLY)")
        told = con.execute(
            "SELECT table_name, column_name, comment FROM duckdb_columns() WHERE schema_name = ?",
            [SCHEMA],
        ).fetchall()
        comments = {(table, column): comment for table, column, comment in told}
        for view in VIEWS:
            rows = con.execute(f"FROM theirs.{SCHEMA}.{view}").fetchall()
            columns = [name for name, *_ in con.description or ()]
            exported = export_frame(app, view)
            assert len(rows) == exported.height
            # sentences are made when a table is taken out
            assert {*exported.columns} - {*columns} <= SENTENCES
            assert [comments[view, c] for c in columns] == [holds(view).columns[c] for c in columns]


@pytest.mark.parametrize(
    "question",
    [
        "COPY attempts TO 'out.csv'",
        "CREATE TABLE other AS SELECT 1",
        "UPDATE main.scans SET code = 'P0000'",
        "SET threads = 1",
        "ATTACH 'other.duckdb'",
        "SELECT 1; SELECT 2",
        "SELECT * FROM read_csv('/etc/hosts')",
        "SELECT * FROM read_text('/etc/hosts')",
        "INSTALL httpfs",
        "SELEC 1",
        "",
    ],
)
def test_what_does_more_than_read_the_store_is_refused(
    app: App, question: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = app.store.read_bytes()
    shown = CliRunner().invoke(main, ["--store", str(app.store), "sql", question])
    assert shown.exit_code == 2
    assert "Traceback" not in shown.output
    assert not list(tmp_path.iterdir())
    assert app.store.read_bytes() == before


def test_a_question_is_answered_in_each_form(app: App, tmp_path: Path) -> None:
    question = "SELECT outcome, count(*) AS n FROM attempts GROUP BY outcome ORDER BY outcome"
    wanted = export_frame(app, "attempts").group_by("outcome").len("n").sort("outcome")
    assert (
        pl.read_csv(run(app, "sql", question, "--format", "csv").encode()).rows() == wanted.rows()
    )
    lines = run(app, "sql", question, "--format", "jsonl").splitlines()
    assert [tuple(json.loads(line).values()) for line in lines] == wanted.rows()
    assert "came_back" in run(app, "sql", question)
    place = tmp_path / "out.parquet"
    run(app, "sql", question, "--format", "parquet", "-o", str(place))
    assert pl.read_parquet(place).rows() == wanted.rows()


def test_the_prompt_answers_until_its_end_and_goes_on_after_a_mistake(
    app: App, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = iter(["SELECT 40 + 2", "AS answer;", "SELEC;", "SELECT 'on' AS it_goes;"])

    def _typed(_: str) -> str:
        try:
            return next(typed)
        except StopIteration:
            raise EOFError from None

    monkeypatch.setattr("builtins.input", _typed)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    sql._prompt(app)  # noqa: SLF001 - a terminal cannot be had here
    shown = capsys.readouterr()
    assert "42" in shown.out
    assert "syntax error" in shown.err
    assert "it_goes" in shown.out


@pytest.mark.parametrize(
    ("question", "says"),
    [
        ("SELECT last_seen_at - onset_high_at AS d FROM episodes", "date_diff"),
        ("SELECT a.code, b.code FROM attempts a JOIN attempts b USING (attempt_id)", "AS"),
    ],
)
def test_what_no_frame_holds_is_refused_with_what_to_write(
    app: App, question: str, says: str
) -> None:
    with pytest.raises(UsageError, match=says):
        Garage(app).sql(question)


def test_lists_and_bytes_are_written_as_text(app: App, tmp_path: Path) -> None:
    question = "SELECT ['a', 'b'] AS codes, 'x'::BLOB AS bytes"
    for form in ("csv", "jsonl"):
        assert "a" in run(app, "sql", question, "--format", form)
    run(app, "sql", question, "-o", str(tmp_path / "odd.xlsx"))
    rows = CalamineWorkbook.from_path(tmp_path / "odd.xlsx").get_sheet_by_index(0).to_python()
    assert rows[1] == ["['a', 'b']", "b'x'"]


def test_a_file_has_the_form_its_name_says(app: App, tmp_path: Path) -> None:
    place = tmp_path / "vehicles.parquet"
    run(app, "export", "vehicles", "-o", str(place))
    assert pl.read_parquet(place).height
    shown = CliRunner().invoke(
        main, ["--store", str(app.store), "sql", "SELECT 1", "--format", "csv", "-o", str(place)]
    )
    assert (shown.exit_code, "--format says csv" in shown.output) == (2, True)


def test_a_workbook_that_cannot_be_written_is_no_bug_of_ours(app: App, tmp_path: Path) -> None:
    (tmp_path / "taken.xlsx").mkdir()
    with pytest.raises(OSError, match=r"taken\.xlsx"):
        write_frame(app, pl.DataFrame({"a": [1]}), "xlsx", tmp_path / "taken.xlsx")


def test_a_question_that_is_piped_needs_no_semicolon_and_its_failure_is_seen(app: App) -> None:
    begun = ["--store", str(app.store), "sql"]
    answered = CliRunner().invoke(main, begun, input="SELECT 40 + 2 AS answer\n")
    assert (answered.exit_code, "42" in answered.output) == (0, True)
    failed = CliRunner().invoke(main, begun, input="SELEC 1;\nSELECT 2;\n")
    assert failed.exit_code == 2


def test_names_that_must_stay_tokens_are_not_shown_by_sql(app: App) -> None:
    privacy = app.config.settings.privacy.model_copy(update={"pseudonyms": True})
    settings = app.config.settings.model_copy(update={"privacy": privacy})
    asked = Garage(App(_Configured(settings), app.store, app.clock))  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="tokens"):
        asked.sql("FROM vehicles")


class _Configured:
    """Settings as they are."""

    def __init__(self, settings: object) -> None:
        self.settings, self.folder = settings, None


def test_from_python_it_says_what_the_command_line_says(app: App) -> None:
    garage = afterclear.open(app.store.parent, store=app.store)
    assert garage.tables == TABLES
    assert garage.attempts().equals(export_frame(app, "attempts"))
    assert garage.worklist().equals(export_frame(app, "worklist"))
    one = garage.sql("SELECT vehicle_id FROM attempts ORDER BY ALL LIMIT 1").item()
    assert garage.vehicle(one).vehicle["vehicle_id"] == one


def test_from_python_files_are_loaded_judged_and_told(tmp_path: Path) -> None:
    garage = afterclear.open(tmp_path)
    scans = tmp_path / "scans.csv"
    scans.write_text(
        "scan_id,vehicle_id,scanned_at,odometer_km,ecu,code\n"
        "S1,V1,2025-01-01T08:00:00Z,1000,engine,P0301\n"
        "S2,V1,yesterday,1400,engine,P0301\n",
        encoding="utf-8",
    )
    report = garage.load(scans)
    assert (report.rows_rejected, report.exit_code) == (1, 3)
    assert garage.analyse().vehicles_rebuilt == 1
    assert garage.sql("SELECT count(*) FROM scans").item() == 1
    garage.digest()
    assert list((tmp_path / "reports").rglob("*.html"))


def test_a_workbook_holds_typed_cells_and_explains_its_columns(app: App, tmp_path: Path) -> None:
    """Read again by another library than the one that wrote it."""
    place = tmp_path / "attempts.xlsx"
    run(app, "export", "attempts", "--format", "xlsx", "-o", str(place))
    book = CalamineWorkbook.from_path(place)
    head, *rows = book.get_sheet_by_name("attempts").to_python()
    frame = export_frame(app, "attempts")
    assert head == frame.columns
    assert len(rows) == frame.height
    first = dict(zip(head, rows[0], strict=True))
    wanted = frame.row(0, named=True)
    assert first["attempted_km"] == wanted["attempted_km"]
    assert abs(first["attempted_at"] - wanted["attempted_at"].replace(tzinfo=None)).seconds < 1
    told = {row[0]: row[1] for row in book.get_sheet_by_name("columns").to_python()[1:]}
    assert told["km_to_go"] == holds("attempts").columns["km_to_go"]


def test_no_text_in_a_workbook_is_run_and_odd_cells_are_written(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "text": ["=1+1", "http://somewhere.example", "x" * 40_000],
            "number": [float("nan"), float("inf"), 1.5],
            "day": [date(2026, 3, 1), None, None],
            "instant": [datetime(2026, 3, 1, 12, tzinfo=UTC), None, None],
            "yes": [True, False, None],
            "list": [["a"], [], None],
        }
    )
    place = tmp_path / "odd.xlsx"
    write_workbook(frame, place, "rows", None)
    rows = CalamineWorkbook.from_path(place).get_sheet_by_index(0).to_python()
    assert rows[1][0] == "=1+1"
    assert rows[3][0].endswith("[cut]")
    assert rows[1][1:5] == ["nan", date(2026, 3, 1), datetime(2026, 3, 1, 12), True]  # noqa: DTZ001


def test_more_rows_than_a_sheet_holds_are_refused_with_what_to_use(
    app: App, tmp_path: Path
) -> None:
    frame = pl.DataFrame({"n": pl.int_range(MOST_ROWS + 1, eager=True)})
    place = tmp_path / "large.xlsx"
    with pytest.raises(UsageError, match="parquet"):
        write_frame(app, frame, "xlsx", place)
    assert not place.exists()


def test_the_three_questions_of_the_help_are_answered(
    app: App, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["three_questions.py", str(app.store)])
    found = runpy.run_path(str(HELP / "three_questions.py"))
    for answer in ("stayed_away", "gaps", "brands"):
        assert found[answer].height
    assert (found["stayed_away"]["at least, km"] <= found["stayed_away"]["at most, km"]).all()
    assert capsys.readouterr().out


def test_the_question_of_the_help_about_brands_is_answered(app: App) -> None:
    page = (HELP / "analysts.md").read_text(encoding="utf-8")
    question = page.split("```sql\n")[-1].partition("```")[0]
    found = Garage(app).sql(question)
    assert found.columns == ["part_family", "part_brand", "fitted", "failed", "km_per_failure"]
    assert found.height


@pytest.mark.parametrize("table", PLAIN.values(), ids=lambda table: table.name)
def test_the_schemas_are_schemas(table: object) -> None:
    """By the libraries of both standards."""
    assert Schema.from_descriptor(table_schema(table)).fields  # type: ignore[arg-type]
    jsonschema.Draft202012Validator.check_schema(json_schema(table))  # type: ignore[arg-type]


def test_the_sample_fits_its_schemas() -> None:
    sample = Path(afterclear.__file__).parents[2] / "sample_data"
    schema = Schema.from_descriptor(table_schema(PLAIN["vehicles"]))
    report = Resource(path="01_vehicles.csv", basepath=str(sample), schema=schema).validate()
    assert report.valid, report.flatten(["message"])
    check = jsonschema.Draft202012Validator(json_schema(PLAIN["repairs"]))
    lines = (sample / "13_repairs_tessgarth.jsonl").read_text(encoding="utf-8").splitlines()
    assert [error.message for line in lines for error in check.iter_errors(json.loads(line))] == []
    assert not check.is_valid({"repair_id": "R1", "vehicle_id": "V1"})
    both = {"repair_id": "R1", "vehicle_id": "V1", "repaired_at": "2026-01-01T08:00:00Z"}
    assert not check.is_valid({**both, "odometer_km": 1, "odometer_mi": 1})


def test_a_file_is_said_to_fit_or_not(app: App, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.csv", tmp_path / "bad.csv"
    head = "vehicle_id,cleared_at,odometer_km\n"
    good.write_text(head + "V1,2026-01-01T08:00:00Z,1000\n", encoding="utf-8")
    bad.write_text(head + "V1,2026-01-01T08:00:00Z,far\n", encoding="utf-8")
    assert "good.csv: fits. 1 rows of clears" in run(app, "check-file", str(good))
    shown = CliRunner().invoke(main, ["--store", str(app.store), "check-file", str(bad)])
    assert shown.exit_code == 3
    assert "odometer_km 'far'" in shown.output


def test_the_examples_of_the_estimators_page_say_what_they_show() -> None:
    told = doctest.testfile(str(HELP / "estimators.md"), module_relative=False)
    assert told.attempted > 10
    assert told.failed == 0
