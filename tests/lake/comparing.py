"""What a lake's run published, held against the exports of one machine's store."""

from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from afterclear.commands.app import App
from afterclear.commands.lake.publishing import OFFERED, current_run
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
