"""Rows beside the pages: opened right by a spreadsheet, harmless, and as many as are linked."""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import polars as pl
import pytest

from afterclear.commands.pages import row_files
from afterclear.commands.pages.row_files import spreadsheet_text, with_row_files
from afterclear.digest.common.file_names import FLEET, GARAGE, STOCK, rows_file
from afterclear.digest.input.frames import DigestSettings
from afterclear.digest.output.write import remove_left_over, write_digest
from afterclear.store.engine.database import Connection

ROWS = pl.DataFrame(
    {
        "note": ["=1+1", "zwölf; dreizehn", None],
        "km": [1234.5, -2.0, None],
        "seen_at": [datetime(2026, 5, 3, 9, 30, tzinfo=UTC)] * 3,
    }
)


def test_a_spreadsheet_opens_rows_as_its_language_writes_them() -> None:
    """A mark for UTF-8; semicolons where the comma is the decimal sign; no formula runs."""
    english, german = spreadsheet_text(ROWS, "en"), spreadsheet_text(ROWS, "de")
    assert english.splitlines()[:2] == [
        "\ufeffnote,km,seen_at",
        "'=1+1,1234.5,2026-05-03 09:30:00",
    ]
    assert german.splitlines()[1:3] == [
        "'=1+1;1234,5;2026-05-03 09:30:00",
        '"zwölf; dreizehn";-2,0;2026-05-03 09:30:00',
    ]


def test_what_pages_link_is_written_once_and_before_the_index(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(row_files, "EXPORTS", {"seen": ""})
    monkeypatch.setattr(row_files, "query", lambda con, sql: pl.DataFrame({"n": [1, 2, 3]}))  # noqa: ARG005
    link = '<a href="../data/rows-seen--n-2.csv">'
    pages = [("vehicles/v-a.html", link), ("vehicles/v-b.html", link), ("index.html", "")]
    made = dict(with_row_files(cast("Connection", None), pages, DigestSettings()))
    assert list(made)[-2:] == ["data/rows-seen--n-2.csv", "index.html"]
    assert made["data/rows-seen--n-2.csv"] == "\ufeffn\n2\n"


@pytest.mark.parametrize(
    ("where", "kept"),
    [
        ("counted_as = held or on_watch, site = Hollin Yard", [1, 2]),
        ("counted_as = held, site = Yard, site = Two", [4]),  # the whole of it is the site's name
        ("counted_as = held, site = ", [5]),  # not known
        ("site = Hollin Yard", [1, 2, 3]),
        ("technician = held, site = Hollin Yard", [1, 2, 3, 4, 5]),  # nobody has a file of his own
    ],
)
def test_a_list_of_a_page_has_a_file_with_its_rows_and_no_name_in_its_path(
    where: str, kept: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = pl.DataFrame(
        {
            "n": [1, 2, 3, 4, 5],
            "counted_as": ["held", "on_watch", "not_judged", "held", "held"],
            "site": ["Hollin Yard"] * 3 + ["Yard, site = Two", None],
        }
    )
    monkeypatch.setattr(row_files, "EXPORTS", {"seen": ""})
    monkeypatch.setattr(row_files, "query", lambda con, sql: rows)  # noqa: ARG005
    name = rows_file("seen", where)
    assert re.fullmatch(r"data/rows-seen[a-z0-9_-]*\.csv", name)
    assert "hollin" not in name
    pages = [("quality/q-site-x.html", f'<a href="../{name}">'), ("index.html", "")]
    made = dict(with_row_files(cast("Connection", None), pages, DigestSettings()))
    assert [int(line[0]) for line in made[name].splitlines()[1:]] == kept


def test_rows_no_page_links_any_more_go_with_the_pages(tmp_path: Path) -> None:
    old = write_digest({"data/rows-old.csv": "a", "data/rows-seen.csv": "b"}, tmp_path)
    pages = write_digest(dict.fromkeys((FLEET, GARAGE, STOCK), ""), tmp_path)
    mine = tmp_path / "data" / "mine.csv"
    mine.write_text("c", encoding="utf-8")
    assert remove_left_over(tmp_path, [*old[1:], *pages[1:]]) == []  # the fleet page may link it
    assert remove_left_over(tmp_path, [*old[1:], *pages]) == [tmp_path / "data" / "rows-old.csv"]
    assert mine.exists()
