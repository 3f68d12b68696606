"""What was loaded, and what was refused; a load is taken back whole."""

from collections.abc import Callable

from starlette.responses import Response

from afterclear.commands.intake.retracting import retract
from afterclear.commands.queries.exporting import export_frame
from afterclear.commands.queries.status import refused_files, rejected_rows
from afterclear.desk.bench import Say
from afterclear.desk.request import Asked, go_to
from afterclear.desk.work import judge_and_write, load_line
from afterclear.errors import UsageError

_SHOWN = 200  # loads, the latest first
_EXAMPLES = 5  # refused rows of one cause


def loads(asked: Asked) -> Response:
    """List the loads, the latest first."""
    frame = export_frame(asked.desk.app, "loads")
    rows = frame.tail(_SHOWN).reverse().to_dicts()
    return asked.page("loads.html", rows=rows, n_all=len(frame))


def take_back(asked: Asked) -> Response:
    """Take a load back, with all that was built on it."""
    number = int(asked.path["number"])
    app = asked.desk.app

    def work(say: Say) -> None:
        done = retract(app, [number], lambda result: say(load_line(result)))
        say(
            f"{done.n_files} files taken back: {done.n_rows_gone} rows are gone, "
            f"{done.n_rows_back} that they had replaced stand again."
        )

    return _begun(asked, f"Take back load {number}", work)


def judge(asked: Asked) -> Response:
    """Judge every fix, and write the pages."""
    return _begun(
        asked,
        "Judge every fix and write the pages",
        lambda say: judge_and_write(asked.desk.app, say),
    )


def refused(asked: Asked) -> Response:
    """Show refused rows by their cause, with what was expected, and refused files."""
    frame = rejected_rows(asked.desk.app)
    causes = [
        {
            "file_name": name,
            "column": column,
            "expected": expected,
            "n": len(group),
            "rows": group.head(_EXAMPLES).to_dicts(),
        }
        for (name, column, expected), group in frame.group_by(
            ["file_name", "column_name", "expected"], maintain_order=True
        )
    ]
    files = refused_files(asked.desk.app).to_dicts()
    return asked.page("refused.html", causes=causes, files=files, n_rows=len(frame))


def _begun(asked: Asked, title: str, work: Callable[[Say], None]) -> Response:
    if not asked.desk.bench.begin(title, work):
        raise UsageError("Something else is being worked on. Try again when it is done.")
    return go_to("/bench")
