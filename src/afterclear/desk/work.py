"""What long work says, and the work that follows a load."""

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.jobs import accounted
from afterclear.commands.pages.write_digests import digest
from afterclear.desk.bench import Say
from afterclear.records import LoadResult

_OUTCOMES = {
    "stored": "loaded",
    "known": "was loaded before",
    "refused": "REFUSED",
    "left": "LEFT for another time",
}


def load_line(result: LoadResult) -> str:
    """Say what became of a file."""
    note = f" {result.note}" if result.note else ""
    return (
        f"{result.file_name} {_OUTCOMES[result.outcome]}: {result.rows_read} rows: "
        f"{result.rows_stored} stored, {result.rows_duplicate} duplicate, "
        f"{result.rows_rejected} refused.{note}"
    )


def judge_and_write(app: App, say: Say) -> None:
    """Judge every fix on what is loaded, and write the pages."""
    with accounted(app, "analyse"):
        judged = analyse(app)
    say(f"{judged.vehicles_rebuilt} vehicles rebuilt, as of {judged.as_of:%d %b %Y}.")
    with accounted(app, "digest"):
        written = digest(app)
    say(f"{written.n_pages} pages written.")
