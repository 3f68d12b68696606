"""What a run found, put so that a reader sees the run before or this one, each as a whole.

A run is a folder of its own, with a folder for each export; ``CURRENT`` names the run that counts,
and is replaced in one step when everything is there. The run before stays, for those who read it.
"""

import json
import os
import secrets
import shutil
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Final

from afterclear.commands.lake import bucket_histories, bucket_roles
from afterclear.commands.lake.bucket_job import UNFINISHED, Task
from afterclear.commands.queries.exporting import write_export
from afterclear.commands.whole_files import put_whole
from afterclear.store.engine.database import Connection
from afterclear.store.queries.exports import EXPORTS

# Exports that tell of deliveries to one store, or of what it sent: no rows of a fleet.
_OF_ONE_STORE: Final = ("rejections", "loads", "digests", "sent", "identity_conflicts")
OFFERED: Final = tuple(name for name in EXPORTS if name not in _OF_ONE_STORE)
CURRENT: Final = "CURRENT"
PAGES: Final = "pages"  # in a run's folder, where there are any
_PLACES: Final = "buckets.json"  # the buckets' folders a run was made of
_RESULTS: Final = "results"
_MODE: Final = 0o640


def current_run(lake: Path) -> Path | None:
    """Give the folder of the run that counts; None: there was none yet."""
    pointer = lake / _RESULTS / CURRENT
    return lake / _RESULTS / pointer.read_text().strip() if pointer.exists() else None


def publish(
    con: Connection, lake: Path, tasks: Iterable[Task], as_of: datetime, pages: Path | None = None
) -> Path:
    """Write every export of a run, then let it count; ``con`` has the histories and findings.

    ``pages``: a folder that becomes the run's folder of pages; None: it has none.  Removes the
    runs before the last one, and the buckets only they were made of.
    """
    tasks = tuple(tasks)
    run = lake / _RESULTS / f"{as_of:%Y%m%dT%H%M%S}-{secrets.token_hex(4)}"
    building = run.with_name(f"{UNFINISHED}{run.name}")
    for task in tasks:
        for table, place in _of_bucket(task).items():
            _also_at(lake / place, building / table / f"bucket={task.bucket}.parquet")
    for table in OFFERED:
        if not (building / table).exists():
            write_export(con, table, "parquet", building / table / "fleet.parquet")
    places = [place for task in tasks for place in (task.histories, task.roles)]
    (building / _PLACES).write_text(json.dumps(places), encoding="utf-8")
    if pages:
        pages.rename(building / PAGES)
    before = current_run(lake)
    building.rename(run)
    put_whole(lake / _RESULTS / CURRENT, f"{run.name}\n".encode(), _MODE)
    _sweep(lake, {run, before} if before else {run})
    return run


def _of_bucket(task: Task) -> dict[str, str]:
    """Name the exports that a bucket's workers wrote, with their files below the lake."""
    made = (
        (task.histories, bucket_histories.EXPORTED),
        (task.roles, bucket_roles.EXPORTED),
    )
    return {
        table: f"{place}/{bucket_histories.EXPORTS_FOLDER}/{table}.parquet"
        for place, tables in made
        for table in tables
    }


def _also_at(made: Path, place: Path) -> None:
    """Give a file a second name, or copy it where the disk has one name for each."""
    place.parent.mkdir(parents=True, exist_ok=True)
    try:
        os.link(made, place)
    except OSError:
        shutil.copyfile(made, place)


def _sweep(lake: Path, runs: set[Path]) -> None:
    """Remove other runs, killed ones too, and the buckets that none of these was made of."""
    for folder in (lake / _RESULTS).iterdir():
        if folder.is_dir() and folder not in runs:
            shutil.rmtree(folder, ignore_errors=True)
    used = {lake / place for run in runs for place in json.loads((run / _PLACES).read_text())}
    for kind in ("histories", "roles"):
        for folder in (lake / kind).glob("bucket=*/*"):
            if folder not in used:
                shutil.rmtree(folder, ignore_errors=True)
