"""Answer questions put to the store's views as SQL."""

import polars as pl

from afterclear.commands.app import App
from afterclear.commands.pages.told_figures import aware
from afterclear.errors import UsageError
from afterclear.store.engine.database import open_store
from afterclear.store.queries.public_views import answer


def answer_frame(app: App, sql: str, most: int | None = None) -> pl.DataFrame:
    """Give the rows of one reading statement, or the first of them; instants are aware, in UTC.

    Raises:
        UsageError: it is not one statement that reads, or names must stay tokens.
        StoreError: there is no store yet, or it has no views of this version.

    """
    if app.config.settings.privacy.pseudonyms:
        raise UsageError(
            "Names are to be tokens (privacy.pseudonyms), and SQL would show them: use 'export'."
        )
    with open_store(app.store, read_only=True) as con:
        return aware(answer(con, sql, most))
