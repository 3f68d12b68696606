"""The store's record of digests: what each showed, its inputs, and what was sent."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import polars as pl

from afterclear.store.engine.database import Connection, create_temp_table, query, scalar
from afterclear.store.queries.digest_changes import marked_by, said_by
from afterclear.store.queries.results import naive

# The name of the one sum for all of a digest's pages, if theirs are no longer kept; no page has
# this name.
ALL_PAGES: Final = "*"

# What the pages of vehicles in the last digest (public or not: ?) were made from.
PAGES_KEPT: Final = """
    SELECT page, facts, since_at, until_at, files FROM page_facts WHERE is_public = ?
    ORDER BY page"""


@dataclass(frozen=True)
class DigestBefore:
    """An earlier digest; ``said_by`` gives what it showed of each attempt."""

    digest_id: int
    as_of: datetime
    statements: dict[tuple[str, str], str]  # kind and subject -> what was shown


@dataclass(frozen=True, slots=True)
class ArchivedDigest:
    """What a digest was made from, and what came out."""

    digest_id: int
    analysis_id: int
    as_of: datetime
    told_at: datetime  # the instant silent sources were measured against
    version: str
    audiences: tuple[str, ...]
    settings: Mapping[str, Any]  # settings that shape the pages
    previous_digest: int | None
    is_public: bool
    pages: Mapping[str, str]  # file name -> sha256; or ALL_PAGES -> the sum of all

    def differing(self, again: Mapping[str, str]) -> tuple[str, ...]:
        """Give the names of pages that differ when made again; ALL_PAGES: some do.

        ``again``: file name -> sha256.
        """
        if ALL_PAGES in self.pages:
            return () if self.pages[ALL_PAGES] == sum_of_all(again) else (ALL_PAGES,)
        names = sorted(self.pages.keys() | again.keys())
        return tuple(name for name in names if self.pages.get(name) != again.get(name))


def sum_of_all(pages: Mapping[str, str]) -> str:
    """Give one sum for all pages (file name -> sha256)."""
    lines = [f"{name} {sha256}\n" for name, sha256 in sorted(pages.items())]
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def digest_before(con: Connection, as_of: datetime) -> DigestBefore | None:
    """Give the last digest as of an earlier instant, or None.

    A digest made twice as of one instant is the same both times.
    """
    found = query(
        con,
        "SELECT digest_id FROM digests WHERE as_of < ? ORDER BY as_of DESC, digest_id DESC LIMIT 1",
        [naive(as_of)],
    )
    return None if found.is_empty() else digest_said(con, int(found.item()))


def digest_said(con: Connection, digest_id: int) -> DigestBefore:
    """Give what one digest showed."""
    as_of = query(con, "SELECT as_of FROM digests WHERE digest_id = ?", [digest_id]).item()
    statements = query(
        con, f"SELECT * FROM ({marked_by('$1')}) WHERE mark IS NOT NULL", [digest_id]
    )
    statements_by_subject = {
        (kind, subject): mark for kind, subject, mark in statements.iter_rows()
    }
    return DigestBefore(digest_id, as_of.replace(tzinfo=UTC), statements_by_subject)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a digest shows of attempts and vehicles in stock, to be told changes from later."""

    outcomes: pl.DataFrame  # attempt_id, outcome
    marks: pl.DataFrame  # kind (stock or rise), subject (a vehicle_id, a rise_id), mark


# Rates that rose are told as new once: by the digests, so that a digest made again is the same.
_MARKS = """
    SELECT 'stock' AS kind, vehicle_id AS subject, verdict AS mark FROM stock
    UNION ALL
    SELECT 'rise', rise_id, CASE WHEN over_at IS NULL THEN 'goes_on' ELSE 'over' END
    FROM emerging"""


def shown_now(con: Connection) -> Shown:
    """Give what a digest of this state of the store shows."""
    return Shown(
        query(con, "SELECT attempt_id, outcome FROM verdicts"),
        query(con, _MARKS),
    )


def archive_digest(con: Connection, made: ArchivedDigest, showed: Shown) -> int:
    """Record a digest and return its number; the store may have changed since what it showed."""
    number = scalar(con, "SELECT max(digest_id) FROM digests") + 1
    con.execute(
        "INSERT INTO digests VALUES (?, ?, ?, ?, ?)",
        [number, naive(made.as_of), ",".join(made.audiences), made.version, naive(made.told_at)],
    )
    con.execute(
        "INSERT INTO digest_archive VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            number,
            made.analysis_id,
            naive(made.as_of),
            naive(made.told_at),
            made.version,
            ",".join(made.audiences),
            json.dumps(made.settings, sort_keys=True),
            made.previous_digest,
            made.is_public,
            len(made.pages),
        ],
    )
    pages = pl.DataFrame({"page": list(made.pages), "sha256": list(made.pages.values())})
    create_temp_table(con, "pages_made", pages)
    con.execute("INSERT INTO digest_pages SELECT ?, page, sha256 FROM pages_made", [number])
    create_temp_table(con, "outcomes_shown", showed.outcomes)
    create_temp_table(con, "marks_shown", showed.marks)
    con.execute(
        f"""INSERT INTO digest_outcomes SELECT $1, attempt_id, now.outcome
            FROM outcomes_shown now FULL JOIN ({said_by("$1")}) before USING (attempt_id)
            WHERE now.outcome IS DISTINCT FROM before.outcome""",
        [number],
    )
    con.execute(
        f"""INSERT INTO digest_marks SELECT $1, kind, subject, now.mark
            FROM marks_shown now FULL JOIN ({marked_by("$1")}) before USING (kind, subject)
            WHERE now.mark IS DISTINCT FROM before.mark AND (kind <> 'rise' OR $2)""",
        [number, _tells_rises(made)],
    )
    return number


def _tells_rises(made: ArchivedDigest) -> bool:
    """Whether somebody was told of rises: they stand on the fleet page, and not for the public."""
    return "fleet" in made.audiences and not made.is_public


def keep_page_facts(
    con: Connection,
    rows: Sequence[tuple[str, str, datetime, datetime | None, str]],
    *,
    is_public: bool,
) -> None:
    """Remember what pages of vehicles were made from, as ``PAGES_KEPT``, in place of before."""
    con.execute("DELETE FROM page_facts WHERE is_public = ?", [is_public])
    made = pl.DataFrame(
        [
            (page, facts, naive(since), until and naive(until), files)
            for page, facts, since, until, files in rows
        ],
        schema={
            "page": pl.String,
            "facts": pl.String,
            "since_at": pl.Datetime,
            "until_at": pl.Datetime,
            "files": pl.String,
        },
        orient="row",
    )
    create_temp_table(con, "facts_made", made)
    con.execute(
        "INSERT INTO page_facts SELECT page, ?, facts, since_at, until_at, files FROM facts_made",
        [is_public],
    )


def fold_page_sums(con: Connection, days: float | None, now: datetime) -> int:
    """Replace the sums of pages of digests older than ``days`` by one each; return how many.

    It can still be shown whether a digest made again is the same to the byte, but not which page
    differs.
    """
    if days is None:
        return 0
    old = query(
        con,
        """SELECT DISTINCT digest_id FROM digest_pages JOIN digest_archive USING (digest_id)
           WHERE told_at < ? AND page <> ? ORDER BY digest_id""",
        [naive(now - timedelta(days=days)), ALL_PAGES],
    )["digest_id"].to_list()
    for digest_id in old:
        whole = sum_of_all(_pages(con, digest_id))
        con.execute("DELETE FROM digest_pages WHERE digest_id = ?", [digest_id])
        con.execute("INSERT INTO digest_pages VALUES (?, ?, ?)", [digest_id, ALL_PAGES, whole])
    return len(old)


def _pages(con: Connection, digest_id: int) -> dict[str, str]:
    rows = query(con, "SELECT page, sha256 FROM digest_pages WHERE digest_id = ?", [digest_id])
    return dict(rows.iter_rows())


def archived_digest(con: Connection, digest_id: int) -> ArchivedDigest | None:
    """Give what a digest was made from; None if there is no such digest."""
    rows = query(con, "FROM digest_archive WHERE digest_id = ?", [digest_id]).rows(named=True)
    if not rows:
        return None
    row = rows[0]
    return ArchivedDigest(
        digest_id=digest_id,
        analysis_id=row["analysis_id"],
        as_of=row["as_of"].replace(tzinfo=UTC),
        told_at=row["told_at"].replace(tzinfo=UTC),
        version=row["version"],
        audiences=tuple(row["audiences"].split(",")),
        settings=json.loads(row["settings"]),
        previous_digest=row["previous_digest"],
        is_public=row["is_public"],
        pages=_pages(con, digest_id),
    )


def begin_sending(con: Connection, key: str, about: Mapping[str, Any]) -> bool:
    """Record that a message is about to leave; False: it has left before, or may have.

    ``about``: way (mail, webhook), subject, recipient, as_of, begun_at.
    """
    known = query(con, "SELECT sent_at, failure FROM sent WHERE message_key = ?", [key]).rows()
    if any(sent_at is not None or failure is None for sent_at, failure in known):
        return False
    con.execute("DELETE FROM sent WHERE message_key = ?", [key])
    con.execute(
        "INSERT INTO sent VALUES (?, ?, ?, ?, ?, ?, NULL, NULL)",
        [
            key,
            about["way"],
            about["subject"],
            about["recipient"],
            naive(about["as_of"]),
            naive(about["begun_at"]),
        ],
    )
    return True


def complete_sending(
    con: Connection, key: str, *, sent_at: datetime | None = None, failure: str | None = None
) -> None:
    """Record that the other side took the message, or why it did not."""
    con.execute(
        "UPDATE sent SET sent_at = ?, failure = ? WHERE message_key = ?",
        [naive(sent_at) if sent_at else None, failure, key],
    )
