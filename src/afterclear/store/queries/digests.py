"""The store's memory of digests: what each said, what it was made from, what was sent of it."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import polars as pl

from afterclear.store.engine.database import Connection, create_temp_table, query, scalar
from afterclear.store.queries.results import naive


@dataclass(frozen=True)
class DigestBefore:
    """An earlier digest; what it said of each attempt stands in ``digest_outcomes``."""

    digest_id: int
    as_of: datetime
    marks: dict[tuple[str, str], str]  # kind and subject -> what was said


@dataclass(frozen=True, slots=True)
class ArchivedDigest:
    """What a digest was made from, and what came out."""

    digest_id: int
    analysis_id: int
    as_of: datetime
    told_at: datetime  # the instant silent sources were told against
    version: str
    audiences: tuple[str, ...]
    settings: Mapping[str, Any]  # what shapes the pages
    previous_digest: int | None
    is_public: bool
    pages: Mapping[str, str]  # file name -> sha256


def digest_before(con: Connection, as_of: datetime) -> DigestBefore | None:
    """Give the last digest as of an earlier instant, or None.

    A digest made twice as of one instant says the same both times.
    """
    found = query(
        con,
        "SELECT digest_id FROM digests WHERE as_of < ? ORDER BY as_of DESC, digest_id DESC LIMIT 1",
        [naive(as_of)],
    )
    return None if found.is_empty() else digest_said(con, int(found.item()))


def digest_said(con: Connection, digest_id: int) -> DigestBefore:
    """Give what one digest said."""
    as_of = query(con, "SELECT as_of FROM digests WHERE digest_id = ?", [digest_id]).item()
    marks = query(
        con, "SELECT kind, subject, mark FROM digest_marks WHERE digest_id = ?", [digest_id]
    )
    said = {(kind, subject): mark for kind, subject, mark in marks.iter_rows()}
    return DigestBefore(digest_id, as_of.replace(tzinfo=UTC), said)


def archive_digest(con: Connection, made: ArchivedDigest) -> int:
    """Remember a digest and what it said; return its number."""
    number = scalar(con, "SELECT max(digest_id) FROM digests") + 1
    con.execute(
        "INSERT INTO digests VALUES (?, ?, ?, ?, ?)",
        [number, naive(made.as_of), ",".join(made.audiences), made.version, naive(made.told_at)],
    )
    con.execute(
        "INSERT INTO digest_archive VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
        ],
    )
    pages = pl.DataFrame({"page": list(made.pages), "sha256": list(made.pages.values())})
    create_temp_table(con, "pages_made", pages)
    con.execute("INSERT INTO digest_pages SELECT ?, page, sha256 FROM pages_made", [number])
    con.execute("INSERT INTO digest_outcomes SELECT ?, attempt_id, outcome FROM verdicts", [number])
    con.execute(
        "INSERT INTO digest_marks SELECT ?, 'stock', vehicle_id, verdict FROM stock", [number]
    )
    return number


def archived_digest(con: Connection, digest_id: int) -> ArchivedDigest | None:
    """Give what a digest was made from; None if there is no such digest."""
    rows = query(con, "FROM digest_archive WHERE digest_id = ?", [digest_id]).rows(named=True)
    if not rows:
        return None
    row = rows[0]
    pages = query(
        con, "SELECT page, sha256 FROM digest_pages WHERE digest_id = ? ORDER BY page", [digest_id]
    )
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
        pages=dict(pages.iter_rows()),
    )


def begin_sending(con: Connection, key: str, about: Mapping[str, Any]) -> bool:
    """Write down that a message is about to leave; False: it has left before, or may have.

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
    """Write down that the other side took the message, or why it did not."""
    con.execute(
        "UPDATE sent SET sent_at = ?, failure = ? WHERE message_key = ?",
        [naive(sent_at) if sent_at else None, failure, key],
    )
