"""Exported files: written part by part, and the same as in one piece."""

from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from afterclear.cli import main
from afterclear.commands.queries import exporting
from afterclear.commands.queries.exporting import export_file, export_frame, frame_text
from tests.store.care_fixture import copy_of_garage


@pytest.mark.parametrize("table", ["scans", "attempts", "evidence", "decisions"])
def test_a_table_written_in_parts_is_the_table(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, table: str
) -> None:
    app = copy_of_garage(template, tmp_path / "garage")
    whole = export_frame(app, table)
    monkeypatch.setattr(exporting, "_PART", 3)  # many parts, the last of them not full
    for form in ("csv", "jsonl"):
        written = tmp_path / f"rows.{form}"
        assert export_file(app, table, form, written) == len(whole)
        assert written.read_text(encoding="utf-8") == frame_text(whole, form)
    written = tmp_path / "rows.parquet"
    assert export_file(app, table, "parquet", written) == len(whole)
    assert pl.read_parquet(written).equals(whole)


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_half_of_an_export_is_not_left(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: exporting.Format
) -> None:
    app = copy_of_garage(template, tmp_path / "garage")
    monkeypatch.setattr(exporting, "_PART", 3)
    told, whole = exporting.with_sentences, [0]

    def breaks(table: str, frame: pl.DataFrame) -> pl.DataFrame:
        whole[0] += 1
        if whole[0] > 2:
            raise MemoryError
        return told(table, frame)

    monkeypatch.setattr(exporting, "with_sentences", breaks)
    with pytest.raises((MemoryError, pl.exceptions.PolarsError)):
        export_file(app, "scans", form, tmp_path / "rows")
    assert not (tmp_path / "rows").exists()


@pytest.mark.parametrize("form", ["csv", "jsonl"])
def test_what_is_told_is_what_would_be_written(
    template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: exporting.TextFormat
) -> None:
    app = copy_of_garage(template, tmp_path / "garage")
    monkeypatch.setattr("afterclear.cli.export._PART", 7)  # parts end within a cell
    asked = ["--store", str(app.store), "export", "scans", "--format", form]
    told = CliRunner().invoke(main, asked).stdout
    assert told == frame_text(export_frame(app, "scans"), form)
