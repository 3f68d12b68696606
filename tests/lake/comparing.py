"""What a lake's run published, held against the exports of one machine's store."""

import re
from collections.abc import Iterator
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from afterclear.commands.app import App
from afterclear.commands.lake.publishing import OFFERED, PAGES, current_run
from afterclear.commands.pages.write_digests import DigestAsked, digest
from afterclear.commands.queries.exporting import export_frame


def published(lake: Path, table: str) -> pl.DataFrame:
    """Read one export of the run that counts."""
    run = current_run(lake)
    assert run is not None
    return pl.concat([pl.read_parquet(file) for file in sorted((run / table).glob("*.parquet"))])


def in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows in one order, whoever wrote them; an order is no part of what is compared."""
    return frame.sort(frame.columns, nulls_last=True)


def differing(app: App, lake: Path) -> dict[str, str]:
    """Name each export whose rows are not those of the store, with the first difference."""
    found = {}
    for table in OFFERED:
        try:
            assert_frame_equal(
                in_order(published(lake, table)),
                in_order(export_frame(app, table)),
                check_exact=True,
            )
        except AssertionError as error:
            found[table] = str(error)
    return found


# What a store's pages say of deliveries, of which a lake knows nothing ...
_OF_DELIVERIES = re.compile(
    r"<li><b>(Rows refused|Sources that delivered nothing):.*\n"
    r"| \d+\srows? of (a work order|work orders) (was|were) refused and [^;]*; [^.]*\.(?=</p>)"
    r'| <a class="dossier-link" [^>]*>Dossier</a>'
    r'|<table class="source-files">'
)
# ... and a page's style has only what the page uses.
_STYLE = re.compile(
    r'<style>.*?</style>|<meta http-equiv="Content-Security-Policy"[^>]*>', re.DOTALL
)


def differing_pages(app: App, lake: Path, folder: Path) -> list[str]:
    """Name each page or file of rows of the run that counts that is not the store's to the byte.

    But for what is told of deliveries.  ``folder``: where the store's pages are written to.
    """
    run = current_run(lake)
    assert run is not None
    digest(app, DigestAsked(folder=folder))
    of_store, of_lake = (dict(_files(at)) for at in (folder, run / PAGES))
    assert not any(_OF_DELIVERIES.search(page) for page in of_lake.values())
    for name in [name for name, page in of_store.items() if _OF_DELIVERIES.search(page)]:
        if name.startswith("dossiers/"):
            del of_store[name]
        else:
            of_store[name] = _STYLE.sub("", _OF_DELIVERIES.sub("", of_store[name]))
            of_lake[name] = _STYLE.sub("", of_lake[name])
    names = of_store.keys() | of_lake.keys()
    return sorted(name for name in names if of_store.get(name) != of_lake.get(name))


def _files(folder: Path) -> Iterator[tuple[str, str]]:
    for path in folder.rglob("*"):
        if path.is_file():
            yield path.relative_to(folder).as_posix(), path.read_bytes().decode()
