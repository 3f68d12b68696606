"""What the store remembers of its digests: only what changed, and all that each of them said."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from afterclear.store.engine.database import (
    Connection,
    create_temp_table,
    open_store,
    query,
    scalar,
)
from afterclear.store.queries.digest_changes import said_by
from afterclear.store.queries.digests import (
    ALL_PAGES,
    ArchivedDigest,
    Shown,
    archive_digest,
    archived_digest,
    digest_said,
    fold_page_sums,
    shown_now,
)

BEGAN = datetime(2026, 1, 1, 3, tzinfo=UTC)
NIGHTS = 200
ATTEMPTS = 236
CHANGES = 3  # attempts told otherwise each night

Told = dict[str, str]


@pytest.fixture
def con(tmp_path: Path) -> Iterator[Connection]:
    with open_store(tmp_path / "x.duckdb") as own:
        yield own


def made(night: int, pages: dict[str, str] | None = None) -> ArchivedDigest:
    """Give a digest of one night."""
    at = BEGAN + timedelta(days=night)
    sums = pages or {"index.html": f"{night:064d}"}
    return ArchivedDigest(
        digest_id=0,
        analysis_id=1,
        as_of=at,
        told_at=at,
        version="0.1.0",
        audiences=("fleet",),
        settings={},
        previous_digest=None,
        is_public=False,
        pages=sums,
    )


def tell(con: Connection, night: int, outcomes: Told, stock: Told) -> int:
    """Judge attempts and stock, and archive a digest that says so."""
    con.execute("DELETE FROM verdicts")
    con.execute("DELETE FROM stock")
    said = {"subject": list(outcomes), "told": list(outcomes.values())}
    create_temp_table(con, "judged", pl.DataFrame(said, schema_overrides={"told": pl.String}))
    con.execute(
        "INSERT INTO verdicts (attempt_id, outcome, n_group, group_returned) "
        "SELECT subject, told, 0, 0 FROM judged"
    )
    audited = {"subject": list(stock), "told": list(stock.values())}
    create_temp_table(con, "audited", pl.DataFrame(audited, schema_overrides={"told": pl.String}))
    con.execute(
        "INSERT INTO stock (vehicle_id, verdict, reasons, deciding, safety) "
        "SELECT subject, told, '[]', '', false FROM audited"
    )
    return archive_digest(con, made(night), shown_now(con))


def said(con: Connection, number: int) -> tuple[Told, Told]:
    """Give what a digest is remembered to have said."""
    outcomes = query(con, said_by("$1"), [number]).drop_nulls("outcome")
    marks = {subject: mark for (_, subject), mark in digest_said(con, number).statements.items()}
    return dict(outcomes.iter_rows()), marks


def rows(con: Connection, table: str) -> int:
    return scalar(con, f"SELECT count(*) FROM {table}")


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"audiences": ("stock",)}, None),
        ({"is_public": True}, None),
        ({"audiences": ("fleet", "stock")}, "goes_on"),
    ],
)
def test_a_rise_was_told_only_by_a_digest_whose_fleet_page_had_it(
    con: Connection, asked: dict[str, Any], told: str | None
) -> None:
    marks = pl.DataFrame({"kind": ["rise"], "subject": ["misfire"], "mark": ["goes_on"]})
    shown = Shown(shown_now(con).outcomes, marks)
    number = archive_digest(con, replace(made(0), **asked), shown)
    assert digest_said(con, number).statements.get(("rise", "misfire")) == told


@pytest.mark.slow
def test_two_hundred_nights_of_a_fleet_in_which_nothing_changes_keep_one_nights_rows(
    con: Connection,
) -> None:
    outcomes = {f"a{n}": "on_watch" for n in range(ATTEMPTS)}
    tell(con, 0, outcomes, {"K-1": "ready"})
    for night in range(1, NIGHTS):
        archive_digest(con, made(night), shown_now(con))
    assert rows(con, "digest_outcomes") == ATTEMPTS
    assert rows(con, "digest_marks") == 1
    assert said(con, NIGHTS) == (outcomes, {"K-1": "ready"})


@pytest.mark.slow
def test_two_hundred_nights_keep_a_row_for_each_attempt_and_one_for_each_change(
    con: Connection,
) -> None:
    outcomes = {f"a{n}": "on_watch" for n in range(ATTEMPTS)}
    first = tell(con, 0, outcomes, {})
    for night in range(1, NIGHTS + 1):
        told = "held" if night % 2 else "on_watch"
        con.execute(
            "UPDATE verdicts SET outcome = ? WHERE attempt_id IN ('a1', 'a7', 'a9')", [told]
        )
        archive_digest(con, made(night), shown_now(con))
    assert rows(con, "digest_outcomes") == ATTEMPTS + NIGHTS * CHANGES
    assert said(con, first)[0] == outcomes
    assert said(con, first + 1)[0]["a7"] == "held"
    assert said(con, first + 2)[0] == outcomes


# Nights in which attempts and vehicles change, vanish and are there again; one tells nothing.
STORY: list[tuple[Told, Told]] = [
    ({"a": "on_watch", "b": "held"}, {"K-1": "hold"}),
    ({"a": "on_watch", "b": "held"}, {"K-1": "hold", "K-2": "ready"}),
    ({"a": "came_back"}, {"K-2": "ready"}),
    ({}, {}),
    ({"a": "came_back", "b": "held"}, {"K-1": "hold", "K-2": "rescan"}),
    ({"b": "on_watch", "c": "held"}, {"K-1": "ready"}),
]


def test_what_vanishes_and_is_there_again_is_remembered_of_each_night(con: Connection) -> None:
    numbers = [tell(con, night, *told) for night, told in enumerate(STORY)]
    assert [said(con, number) for number in numbers] == STORY


def test_a_store_that_kept_every_night_whole_is_folded_and_says_the_same(con: Connection) -> None:
    """The migration: the same rows as if only changes had been kept from the first night on."""
    numbers = [tell(con, night, *told) for night, told in enumerate(STORY)]
    kept = {t: query(con, f"FROM {t} ORDER BY ALL") for t in ("digest_outcomes", "digest_marks")}
    con.execute("DELETE FROM digest_outcomes")
    con.execute("DELETE FROM digest_marks")
    con.execute("ALTER TABLE digest_archive DROP COLUMN n_pages")
    for number, (outcomes, stock) in zip(numbers, STORY, strict=True):
        for attempt, outcome in outcomes.items():
            con.execute("INSERT INTO digest_outcomes VALUES (?, ?, ?)", [number, attempt, outcome])
        for vehicle, mark in stock.items():
            con.execute(
                "INSERT INTO digest_marks VALUES (?, 'stock', ?, ?)", [number, vehicle, mark]
            )
    folder = files("afterclear.store").joinpath("migrations")
    script = folder.joinpath("0018_digest_changes.sql").read_text(encoding="utf-8")
    for statement in script.split(";\n"):
        if statement.strip():
            con.execute(statement)
    assert [said(con, number) for number in numbers] == STORY
    for table, frame in kept.items():
        assert query(con, f"FROM {table} ORDER BY ALL").rows() == frame.rows(), table
    assert query(con, "SELECT DISTINCT n_pages FROM digest_archive").item() == 1


def test_of_old_digests_one_sum_stands_for_all_pages_and_still_tells_a_difference(
    con: Connection,
) -> None:
    pages = {"index.html": "a" * 64, "fleet.html": "b" * 64}
    old = archive_digest(con, made(0, pages), shown_now(con))
    young = archive_digest(con, made(50, pages), shown_now(con))
    now = BEGAN + timedelta(days=70)
    assert fold_page_sums(con, 60, now) == 1
    assert fold_page_sums(con, 60, now) == 0
    kept, whole = archived_digest(con, old), archived_digest(con, young)
    assert kept is not None
    assert whole is not None
    assert list(kept.pages) == [ALL_PAGES]
    assert whole.pages == pages
    assert kept.differing(pages) == ()
    assert kept.differing(pages | {"fleet.html": "c" * 64}) == (ALL_PAGES,)
    assert kept.differing({"index.html": "a" * 64}) == (ALL_PAGES,)
    assert whole.differing(pages | {"fleet.html": "c" * 64}) == ("fleet.html",)
