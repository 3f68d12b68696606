"""Bring files: what is made of each, its questions, its map, its load."""

import os
import re
from collections.abc import Mapping
from pathlib import Path

from starlette.responses import Response

from afterclear.commands.intake.mapping import Asked as HowAsked
from afterclear.commands.intake.mapping import MapCheck, check_file
from afterclear.desk.bench import Piece
from afterclear.desk.request import BUSY, Asked, go_to
from afterclear.desk.uploads import Upload
from afterclear.errors import UsageError
from afterclear.plain import check_zone

_ANSWER = "answer:"  # what fields of answers begin with
_SHOWN = 10  # rows of a preview, and refused rows
_NOT_LOADED = ("REFUSED", "LEFT")  # how the command's line of a file begins


def bring(asked: Asked) -> Response:
    """Show where files are brought, and which ones wait."""
    return asked.page("bring.html", waiting=asked.desk.uploads.waiting())


def keep(asked: Asked) -> Response:
    """Keep the files that were brought."""
    kept = [asked.desk.uploads.keep(f.filename or "", f.file) for f in asked.files if f.filename]
    if not kept:
        raise UsageError("No file was chosen.")
    asked.tell(", ".join(upload.name for upload in kept))
    return go_to(f"/bring/{kept[0].number}" if len(kept) == 1 else "/bring")


def look(asked: Asked) -> Response:
    """Show what is made of a file, and ask what is open."""
    upload = asked.desk.uploads.get(asked.path["number"])
    return _shown(asked, upload, asked.query)


def load(asked: Asked) -> Response:
    """Load a file; a map that was suggested and has no open question is kept before."""
    upload = asked.desk.uploads.get(asked.path["number"])
    title = f"Load {upload.name}"
    piece = asked.desk.bench.piece
    if asked.desk.bench.is_busy:
        if piece is not None and piece.title == title:
            return go_to("/bench")  # a second click
        raise UsageError(BUSY)
    text = _map_to_keep(_checked(asked, upload, asked.form))
    if text:
        _keep_map(asked, asked.form.get("map_name", ""), text)

    def then(piece: Piece) -> None:
        if any(line.startswith(_NOT_LOADED) for line in piece.lines):
            piece.problem = "Not all of it was loaded. The file still waits under Bring files."
        else:
            asked.desk.uploads.drop(upload.number)

    vehicle = asked.form.get("vehicle", "").strip()
    words = ["load", str(upload.path), "--zone", _zone(asked.form)]
    return asked.begin(title, [[*words, *(["--vehicle", vehicle] if vehicle else [])]], then)


def drop(asked: Asked) -> Response:
    """Take a file away without loading it."""
    asked.tell(asked.desk.uploads.get(asked.path["number"]).name)
    asked.desk.uploads.drop(asked.path["number"])
    return go_to("/bring")


def _answers(fields: Mapping[str, str]) -> dict[str, str]:
    return {
        key.removeprefix(_ANSWER): word
        for key, word in fields.items()
        if key.startswith(_ANSWER) and word
    }


def _zone(fields: Mapping[str, str]) -> str:
    zone = fields.get("zone", "").strip() or "UTC"
    try:
        return check_zone(zone)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _checked(asked: Asked, upload: Upload, fields: Mapping[str, str]) -> list[MapCheck]:
    vehicle = fields.get("vehicle", "").strip() or None
    how = HowAsked(_SHOWN, _zone(fields), vehicle, _answers(fields))
    return list(check_file(asked.desk.app, upload.path, how))


def _shown(asked: Asked, upload: Upload, fields: Mapping[str, str]) -> Response:
    checks = _checked(asked, upload, fields)
    return asked.page(
        "look.html",
        upload=upload,
        checks=checks,
        answers=_answers(fields),
        zone=_zone(fields),
        vehicle=fields.get("vehicle", ""),
        is_ready=all(check.is_usable or (check.reader and not check.reason) for check in checks),
        needs_map=any(check.suggestion is not None for check in checks),
        map_name=_plain_name(Path(upload.name).stem),
        most=_SHOWN,
    )


def _map_to_keep(checks: list[MapCheck]) -> str:
    """Return the map that loads the file; empty: it needs none.

    Raises:
        UsageError: a question is open, or something cannot be read at all.

    """
    made = {check.suggestion.text for check in checks if check.suggestion and check.is_usable}
    for check in checks:
        if not check.is_usable and (check.reader is None or check.reason):
            raise UsageError(check.reason or f"{check.name} cannot be loaded yet.")
    if len(made) > 1:
        raise UsageError(
            "The files within need different maps. Unpack it and bring them one by one."
        )
    return made.pop() if made else ""


def _keep_map(asked: Asked, name: str, text: str) -> None:
    """Keep a map; it is there whole or not at all."""
    app = asked.desk.app
    if app.config.folder is None:
        raise UsageError(
            "A map needs a garage's folder to be kept in, and the desk was not started in one."
        )
    if _plain_name(name) != name:
        raise UsageError("Name the map with small letters, digits, - and _ only.")
    app.config.imports.mkdir(parents=True, exist_ok=True)
    path, part = app.config.imports / f"{name}.toml", app.config.imports / f".{name}.part"
    try:
        part.write_text(text, encoding="utf-8")
        os.link(part, path)
    except FileExistsError as error:
        raise UsageError(
            f"There is a map {name} already; it does not fit this file. Choose another name."
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _plain_name(text: str) -> str:
    """Make a name for a map.

    >>> _plain_name("Scans März (2).csv")
    'scans_m_rz_2_csv'
    """
    return re.sub(r"[^a-z0-9_-]+", "_", text.lower()).strip("_")[:60] or "map"
