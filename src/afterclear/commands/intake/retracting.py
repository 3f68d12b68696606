"""Undo a whole load, or put it under another vehicle or zone, with all that was built on it."""

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

from afterclear.commands.app import App
from afterclear.commands.intake.loading import LoadReport
from afterclear.commands.intake.replaying import (
    check_known,
    gone_on,
    read_anew,
    readable_loads,
)
from afterclear.errors import RefusedFileError, UsageError, worded
from afterclear.read_again import CONTAINERS, Again, Change, is_readable, reading_again
from afterclear.records import LoadResult
from afterclear.store.engine.database import Connection, open_store, query
from afterclear.store.intake.withdrawal import PastLoad, past_loads, replay_left, within


@dataclass(frozen=True, slots=True)
class Retracted:
    """The result of retracting loads."""

    n_files: int  # retracted; files within an archive count each
    n_rows_gone: int  # of them, rows that were current
    n_rows_back: int  # rows that they had replaced, and that are current again
    again: LoadReport  # loads that had built on them, read again

    @property
    def exit_code(self) -> int:
        """The exit code of what was read again."""
        return self.again.exit_code


def retract(app: App, load_ids: Iterable[int], on_load: Callable[[LoadResult], None]) -> Retracted:
    """Retract loads; rows they had replaced come back, in one transaction.

    Of an archive or a mail all files go.  Loads that had built on them are read again.  The ledger
    keeps the lines, and notes when a source brings the same bytes again.

    Raises:
        UsageError: there is no such load, or one to read again is no longer in the archive.
        RefusedFileError: a load to read again would now be refused.  Nothing was changed.

    """
    asked = set(load_ids)
    request = "retract " + " ".join(map(str, sorted(asked)))
    with (
        app.long_writing("retract"),
        open_store(app.store, takes=app.takes) as con,
        _reading(app, con, request) as again,
    ):
        _finish_replay(again, on_load)
        past = {load.load_id: load for load in past_loads(con)}
        check_known(asked, past)
        taken = sorted(asked | within(con, asked))
        names = ", ".join(map(str, taken))
        n_gone = _n_standing(con, f"load_id IN ({names})")
        n_back = _n_replaced(con, names)
        change = Change(retracted=tuple(past[n] for n in taken))
        readable = readable_loads(con, past)
        _, results = read_anew(again, past, (), on_load, readable=readable, change=change)
    n_files = sum(past[n].reader not in CONTAINERS for n in taken)
    return Retracted(n_files, n_gone, n_back, LoadReport(tuple(results)))


@dataclass(frozen=True, slots=True)
class Otherwise:
    """The vehicle or zone a load gets instead of its file's; None: as it was."""

    vehicle_id: str | None = None
    zone: str | None = None


def reassign(
    app: App, load_id: int, otherwise: Otherwise, on_load: Callable[[LoadResult], None]
) -> LoadReport:
    """Read a load's file again as another vehicle's or in another zone, in one transaction.

    Raises:
        UsageError: there is no such load; nothing changes; the file names its vehicles itself.
        RefusedFileError: the file, or one that built on it, would be refused.  Nothing was changed.

    """
    request = f"reassign {load_id}"
    with open_store(app.store, takes=app.takes) as con, _reading(app, con, request) as again:
        _finish_replay(again, on_load)
        past = {load.load_id: load for load in past_loads(con)}
        check_known({load_id}, past)
        readable = readable_loads(con, past)
        chosen = {load_id} | within(con, {load_id})
        anew = {
            n: _with_given(past[n], otherwise) for n in chosen if past[n].reader not in CONTAINERS
        }
        _check_changes(again, past, anew)
        says = {n: _says(past[n], load) for n, load in anew.items()}
        _, results = read_anew(
            again,
            {**past, **anew},
            anew.keys(),
            on_load,
            readable=readable,
            change=Change(says=says),
        )
    return LoadReport(tuple(results))


def _reading(app: App, con: Connection, request: str) -> AbstractContextManager[Again]:
    how = (app.clock, app.config.imports, app.reading_limits, request)
    return reading_again(con, app.archive, *how)


def _finish_replay(again: Again, on_load: Callable[[LoadResult], None]) -> None:
    """Finish the rest of a killed replay first."""
    if left := replay_left(again.con):
        gone_on(again, left, on_load)


def _with_given(old: PastLoad, otherwise: Otherwise) -> PastLoad:
    origin = replace(
        old.origin,
        vehicle_id=otherwise.vehicle_id or old.origin.vehicle_id,
        zone=otherwise.zone or old.origin.zone,
    )
    return replace(old, origin=origin)


def _check_changes(again: Again, past: dict[int, PastLoad], anew: dict[int, PastLoad]) -> None:
    if all(past[n].origin == load.origin for n, load in anew.items()):
        raise UsageError(
            worded("Nothing was changed: the load was told the same vehicle and zone before.")
        )
    for load in anew.values():
        if load.outcome == "refused" and not is_readable(again, load):
            raise RefusedFileError(
                worded(
                    "Nothing was changed: {file_name} (load {load_id}) would be refused as before; "
                    "'afterclear rejections' says why.",
                    file_name=load.file_name,
                    load_id=load.load_id,
                )
            )


def _says(old: PastLoad, new: PastLoad) -> str:
    parts = [
        f"{what} {is_now} instead of {was or 'none'}"
        for what, was, is_now in (
            ("vehicle", old.origin.vehicle_id, new.origin.vehicle_id),
            ("zone", old.origin.zone, new.origin.zone),
        )
        if was != is_now
    ]
    return "reassigned: " + ", ".join(parts)


def _n_standing(con: Connection, which: str) -> int:
    tables = ("vehicles", "scans", "clears", "repairs")
    counts = " UNION ALL ".join(f"SELECT count(*) AS n FROM {t} WHERE {which}" for t in tables)
    return int(query(con, f"SELECT sum(n)::BIGINT AS n FROM ({counts})")["n"][0])


def _n_replaced(con: Connection, names: str) -> int:
    rows = query(
        con,
        f"""SELECT count(DISTINCT (table_name, key_json)) AS n FROM superseded
            WHERE superseded_by IN ({names}) AND load_id NOT IN ({names})""",
    )
    return int(rows["n"][0])
