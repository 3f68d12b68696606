"""``map-check`` and ``replay`` as a person uses them: four steps from unknown files to rows."""

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from afterclear.cli import main
from tests.readers.samples import DATA, all_samples
from tests.readers.workbooks import Sheets, xlsx

SAMPLES = {s.name: s for s in all_samples()}


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    """Make a folder as ``init`` does, with exports beside."""
    folder = tmp_path / "garage"
    assert say(tmp_path, "init", str(folder)).exit_code == 0
    exports = tmp_path / "exports"
    exports.mkdir()
    for name in ("scan-export-2025.txt", "fehlerliste_2025-10.csv"):
        shutil.copy(DATA / "imports" / name, exports / name)
    (exports / "orders_2025.xlsx").write_bytes(SAMPLES["orders_2025.xlsx"].raw)
    return folder


def say(folder: Path, *words: str) -> Result:
    given = ("--config", str(folder / "config"), "--store", str(folder / "x.duckdb"))
    return CliRunner().invoke(main, [*(given if words[0] != "init" else ()), *words])


def test_init_makes_a_folder_for_maps(garage: Path) -> None:
    assert (garage / "config" / "imports").is_dir()


@pytest.mark.slow
def test_four_steps_from_an_unknown_spreadsheet_to_rows(garage: Path) -> None:
    """Suggest, mend, look again, load; then mend once more and replay."""
    export = str(garage.parent / "exports" / "fehlerliste_2025-10.csv")
    place = garage / "config" / "imports" / "nordhof.toml"

    asked = say(garage, "map-check", export, "-o", str(place))
    assert asked.exit_code == 3
    assert "nothing reads it yet" in asked.output
    assert "--answer word:behoben=stored" in asked.output
    assert not place.exists()  # with a question open it is no map
    answer = ("--answer", "word:behoben=unknown")
    suggested = say(garage, "map-check", export, *answer, "-o", str(place))
    assert "sure" in suggested.output
    assert "| P0302 " in suggested.output
    assert "as it arrived:" in suggested.output
    assert "will be stored in scans as:" in suggested.output
    assert "    taken as: scanned_at (" in suggested.output

    text = place.read_text(encoding="utf-8")
    text = text.replace('# zone = "Europe/Berlin"', 'zone = "Europe/Berlin"')
    place.write_text(text, "utf-8")
    checked = say(garage, "map-check", export)
    assert checked.exit_code == 0
    assert "read by map:nordhof" in checked.output
    assert "line 10, odometer_km '12O.100'" in checked.output
    assert "totals rows left out: 1" in checked.output

    loaded = say(garage, "load", export)
    assert loaded.exit_code == 3
    assert "2 refused" in loaded.output

    place.write_text(f'missing_time = "later"\n{place.read_text("utf-8")}', encoding="utf-8")
    again = say(garage, "replay")
    assert "1 refused" in again.output
    assert "1 loads were read again" in again.output
    listed = say(garage, "rejections")
    assert "30.03.2025" not in listed.output


def test_a_workbook_is_suggested_too(garage: Path) -> None:
    shown = say(garage, "map-check", str(garage.parent / "exports" / "orders_2025.xlsx"))
    assert 'sheet = "2025-03"' in shown.output
    assert 'repair_id = "Job"' in shown.output
    assert "repairs: " in shown.output


def test_the_rows_of_all_sheets_are_shown_as_one_table(garage: Path, tmp_path: Path) -> None:
    head = ["Auftragsnr.", "Kennzeichen", "Datum", "KM-Stand", "Arbeit"]
    months: Sheets = {
        month: [
            head,
            *(
                [f"WA{month[-2:]}{n}", f"QT-{n} 1", day, 50_000 + n, "Anlasser ersetzt"]
                for n, day in enumerate(days, 31)
            ),
        ]
        for month, days in {
            "2026-03": ["14.03.2026", "15.03.2026"],
            "2026-04": ["16.04.2026"],
        }.items()
    }
    export = tmp_path / "auftraege.xlsx"
    export.write_bytes(xlsx(months))
    shown = say(garage, "map-check", str(export)).output
    assert "repairs: 3 rows, the first 3:" in shown
    assert 'repair_id = "Auftragsnr."' in shown
    assert "shape:" not in shown


def test_a_suggestion_overwrites_nothing(garage: Path) -> None:
    export = str(garage.parent / "exports" / "scan-export-2025.txt")
    place = garage / "config" / "imports" / "mine.toml"
    place.write_text("kind", encoding="utf-8")
    assert say(garage, "map-check", export, "-o", str(place)).exit_code == 2
    assert place.read_text(encoding="utf-8") == "kind"


def test_wrong_maps_stop_a_load_before_anything_is_done(garage: Path) -> None:
    (garage / "config" / "imports" / "bad.toml").write_text('kind = "paper"', encoding="utf-8")
    said = say(garage, "load", str(garage.parent / "exports"))
    assert said.exit_code == 2
    assert "bad.toml: kind" in said.output
    assert "bad.toml: files" in said.output


def test_a_wrong_map_stops_only_the_files_it_names(garage: Path) -> None:
    """The others are loaded; the file waits for its map, with every mistake told."""
    bad = 'kind = "paper"\nfiles = ["scan-export-*.txt"]\n'
    (garage / "config" / "imports" / "bad.toml").write_text(bad, encoding="utf-8")
    sample = SAMPLES["scans.csv"]
    (garage.parent / "exports" / sample.name).write_bytes(sample.raw)
    exports = garage.parent / "exports"
    said = say(garage, "load", str(exports / sample.name), str(exports / "scan-export-2025.txt"))
    assert said.exit_code == 3
    assert "3 rows: 3 stored" in said.output
    assert "waits for its map to be mended" in said.output
    assert "bad.toml: kind" in said.output


def test_a_file_that_is_not_there_and_a_load_that_is_not(garage: Path) -> None:
    assert say(garage, "map-check", "nowhere.csv").exit_code == 2
    assert say(garage, "replay", "7").exit_code == 2


def test_files_of_an_archive_are_checked_one_by_one(garage: Path) -> None:
    packed = shutil.make_archive(str(garage / "all"), "zip", garage.parent / "exports")
    shown = say(garage, "map-check", packed)
    for name in ("scan-export-2025.txt", "fehlerliste_2025-10.csv", "orders_2025.xlsx"):
        assert f"{name}: nothing reads it yet" in shown.output


def test_a_plain_table_is_shown_as_it_is(garage: Path) -> None:
    sample = SAMPLES["scans.csv"]
    path = garage / sample.name
    path.write_bytes(sample.raw)
    shown = say(garage, "map-check", str(path))
    assert shown.exit_code == 0
    assert "read by plain_table" in shown.output
    assert "scans: 3 rows" in shown.output


@pytest.mark.slow
def test_an_archive_in_an_archive_is_checked_down_to_its_files(garage: Path) -> None:
    """A tar in a gz is two archives: a load opens both, and so does the check."""
    inner = Path(shutil.make_archive(str(garage / "inner"), "gztar", garage.parent / "exports"))
    (garage / "outer").mkdir()
    shutil.move(inner, garage / "outer")
    shown = say(
        garage, "map-check", shutil.make_archive(str(garage / "all"), "zip", garage / "outer")
    )
    for name in ("scan-export-2025.txt", "fehlerliste_2025-10.csv", "orders_2025.xlsx"):
        assert f"{name}: nothing reads it yet" in shown.output


def test_a_suggestion_that_lacks_a_column_says_so_and_nothing_else(garage: Path) -> None:
    path = garage / "short.csv"
    path.write_text("scan_id,vehicle_id,odometer_km,code\nS1,V1,1000,P0301\n", encoding="utf-8")
    shown = say(garage, "map-check", str(path))
    assert shown.exit_code == 3
    assert shown.output.count("to fill in before it can be used") == 1
    assert "scanned_at: no column and nothing above the table says when" in shown.output
