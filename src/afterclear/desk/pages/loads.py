"""What was loaded, and what was refused; a load is taken back, or read again, whole."""

import io
import json
import re
from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from afterclear.commands.intake.loading import COMMAND_LINE
from afterclear.commands.intake.vehicle_names import (
    Meant,
    Said,
    mended_rows,
    n_unknown_names,
    unknown_names,
    vehicle_list,
)
from afterclear.commands.queries.exporting import export_frame
from afterclear.commands.queries.refused_workbook import refused_workbook
from afterclear.commands.queries.status import expected_words, refused_files, rejected_rows
from afterclear.desk.request import BUSY, Asked
from afterclear.errors import UsageError, worded

if TYPE_CHECKING:
    import polars as pl

_SHOWN = 200  # loads, the latest first
_CAUSES = 100  # of refused rows
_EXAMPLES = 5  # refused rows of one cause
_NAMES = 100  # that no vehicle list has, on one page
_BOOK = "refused_rows.xlsx"
_NUMBER = re.compile("[0-9]{1,9}")
_OUTCOMES = {
    "stored": worded("stored"),
    "refused": worded("refused"),
    "replaced": worded("replaced by a later load of the same file"),
}
_MENDED = "mended_names.xlsx"
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def loads(asked: Asked) -> Response:
    """List the loads, the latest first."""
    frame = export_frame(asked.desk.app, "loads")
    rows = frame.tail(_SHOWN).reverse().to_dicts()
    return asked.page(
        "loads.html", rows=rows, n_all=len(frame), by_hand=COMMAND_LINE, outcomes=_OUTCOMES
    )


def take_back(asked: Asked) -> Response:
    """Take a load back, with all that was built on it."""
    number = asked.path["number"]
    asked.tell(number)
    return asked.begin(worded("Take back load {number}", number=number), [["retract", number]])


def put_otherwise(asked: Asked) -> Response:
    """Give a load another vehicle or zone: its file is read again with it."""
    number, form = asked.path["number"], asked.form
    vehicle, zone = form.get("vehicle", "").strip(), form.get("zone", "").strip()
    if not vehicle and not zone:
        raise UsageError(worded("Say what is otherwise: the vehicle, the zone, or both."))
    # one word each: a name that begins with a dash is no option
    words = [f"--vehicle={vehicle}"] if vehicle else []
    words += [f"--zone={zone}"] if zone else []
    asked.tell(", ".join(filter(None, (number, vehicle, zone))))
    return asked.begin(
        worded("Change load {number}", number=number), [["reassign", number, *words]]
    )


def read_again(asked: Asked) -> Response:
    """Read all files again that refused something, with maps and vehicles as they are now."""
    return asked.begin(worded("Read again what was refused"), [["replay"]])


def name_vehicle(asked: Asked) -> Response:
    """Load a list that says which vehicle a name means, and read again what was refused."""
    form = asked.form
    said = Said(
        name=form.get("name", ""),
        vehicle_id=form.get("vehicle", "") if form.get("plate") else form.get("name", ""),
        is_plate=bool(form.get("plate")),
        is_new=form.get("whose", "new") == "new",
        since=form.get("since", ""),
        was_before=form.get("whose") == "before",
    )
    text = vehicle_list(asked.desk.app, said)
    if asked.desk.bench.is_busy:
        raise UsageError(BUSY)  # before a list is made
    named = f"vehicle_{said.vehicle_id}.csv"
    made = asked.desk.uploads.keep(named, io.BytesIO(text.encode()))
    asked.tell(said.name, [said.vehicle_id.strip()])
    return asked.begin(
        worded("Name a vehicle, and read again what was refused"),
        [["load", str(made.path)], ["replay"]],
        lambda _: asked.desk.uploads.drop(made.number),
    )


def mend_name(asked: Asked) -> Response:
    """Load the rows that were refused for a wrongly written name, with the one that is meant."""
    form = asked.form
    said = Meant(form.get("name", ""), bool(form.get("plate")), form.get("meant", ""))
    if asked.desk.bench.is_busy:
        raise UsageError(BUSY)  # before a workbook is made
    content = mended_rows(asked.desk.app, said)
    made = asked.desk.uploads.keep(_MENDED, io.BytesIO(content))
    asked.tell(f"{said.name}: {said.meant.strip()}")
    return asked.begin(
        worded("Load rows with the name that is meant"),
        [["load", str(made.path)]],
        lambda _: asked.desk.uploads.drop(made.number),
    )


def workbook(asked: Asked) -> Response:
    """Give refused rows as a workbook, to be mended and brought back."""
    made = refused_workbook(asked.desk.app)
    asked.tell("1 row" if made.n_rows == 1 else f"{made.n_rows:,} rows")
    return Response(
        made.content,
        media_type=_XLSX,
        headers={"Content-Disposition": f'attachment; filename="{_BOOK}"'},
    )


def judge(asked: Asked) -> Response:
    """Judge every fix, and write the pages."""
    return asked.begin(worded("Judge every fix and write the pages"), [["analyse"], ["digest"]])


def refused(asked: Asked) -> Response:
    """Show refused rows by their cause, with what was expected, and refused files."""
    app, frame = asked.desk.app, rejected_rows(asked.desk.app)
    n_unknown, words = n_unknown_names(app), expected_words(app)
    skip = _skipped(asked.query.get("after", ""), n_unknown)
    causes = [
        {
            "file_name": name,
            "column": column,
            "expected": words.get(expected, expected),
            "n": len(group),
            "rows": [row | {"cells": _cells(row["row_json"])} for row in _first(group)],
        }
        for (name, column, expected), group in frame.group_by(
            ["file_name", "column_name", "expected"], maintain_order=True
        )
    ]
    files = refused_files(app).to_dicts()
    return asked.page(
        "refused.html",
        causes=causes[:_CAUSES],
        n_more=max(len(causes) - _CAUSES, 0),
        files=files,
        n_rows=len(frame),
        unknown=unknown_names(app, _NAMES, skip),
        n_unknown=n_unknown,
        skip=skip,
        step=_NAMES,
    )


def _first(group: "pl.DataFrame") -> list[dict[str, Any]]:
    return group.head(_EXAMPLES).to_dicts()


def _cells(row: str | None) -> list[tuple[str, str]]:
    """Give the cells of a refused row that say something; a row that is no table's is one cell."""
    try:
        found = json.loads(row or "{}")
    except ValueError:
        found = None
    if not isinstance(found, dict):
        return [("", str(row))]
    return [(name, str(cell)) for name, cell in found.items() if cell is not None and cell != ""]


def _skipped(after: str, n_all: int) -> int:
    """Read how many names stand before a page's first; none where there are no more than that."""
    skip = int(after) if _NUMBER.fullmatch(after) else 0
    return skip if skip < n_all else 0
