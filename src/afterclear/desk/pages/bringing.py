"""Bring files: what is made of each, its questions, what its columns are taken for, its load."""

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

from starlette.responses import Response

from afterclear.commands.intake.mapping import (
    ASIDE,
    MapCheck,
    check_file,
    pick_key,
    said_and_picked,
)
from afterclear.commands.intake.mapping import Asked as HowAsked
from afterclear.commands.intake.own_maps import keep_map, own_maps, taken_name
from afterclear.commands.progress import file_told
from afterclear.commands.queries.status import expected_words
from afterclear.desk.long_work.bench import Piece
from afterclear.desk.long_work.judging import AT_ONCE_S
from afterclear.desk.request import BUSY, MOST_FILES, Asked, go_to
from afterclear.desk.uploads import Upload
from afterclear.errors import AfterclearError, TakesLongError, UsageError, told_by, worded
from afterclear.plain import TABLES, check_zone

ANSWER = "answer:"  # what fields of answers begin with
_TYPED = {"zone", "vehicle", "begun", "map_name"}  # ... and what else is said of a file
_READ_AS = {
    "plain_table": worded("a table in the plain layout"),
    "can_log": worded("a recording of a vehicle's bus"),
    "hex_responses": worded("answers of control units in hex digits"),
    "returned_rows": worded("refused rows that come back"),
}
_SHOWN = 10  # rows of a preview, and refused rows
_TAKEN = {"stored", "known"}  # outcomes of a file that is in the store
_HIDDEN = re.compile(r"\.|~\$|Thumbs\.db$|desktop\.ini$")  # what systems leave in folders


def bring(asked: Asked) -> Response:
    """Show where files are brought, and which ones wait."""
    return _bring_page(asked)


def _bring_page(asked: Asked, problem: str = "") -> Response:
    waiting = asked.desk.uploads.waiting()
    return asked.page(
        "bring.html",
        status=400 if problem else 200,
        waiting=waiting,
        problem=problem,
        most_files=MOST_FILES,
        most_mb=f"{asked.desk.most_bytes / 1_000_000:,.7g}",
    )


def keep(asked: Asked) -> Response:
    """Keep the files that were brought."""
    wanted = [f for f in asked.files if f.filename and not _is_hidden(f.filename)]
    if not wanted:
        return _bring_page(asked, worded("No file was chosen."))
    kept = asked.desk.uploads.keep_all([(f.filename or "", f.file) for f in wanted])
    asked.tell(", ".join(upload.name for upload in kept))
    return go_to(f"/bring/{kept[0].number}" if len(kept) == 1 else "/bring")


def _is_hidden(name: str) -> bool:
    """Whether a file lay in a folder without a person having put it there."""
    folder, _, last = name.replace("\\", "/").rpartition("/")
    return bool(folder) and _HIDDEN.match(last) is not None


def look(asked: Asked) -> Response:
    """Show what is made of a file, and ask what is open."""
    upload = asked.desk.uploads.get(asked.path["number"])
    return _shown(asked, upload, asked.query)


def load(asked: Asked) -> Response:
    """Load a file; a map that was suggested and has no open question is kept before."""
    upload = asked.desk.uploads.get(asked.path["number"])
    if _is_second_click(asked, upload.number):
        return go_to("/bench")
    try:
        how = _how(asked.form)
        checks = _judged(asked, upload, how)
        if checks is None:
            quick = replace(how, is_quick=True, within_s=AT_ONCE_S)
            with suppress(TakesLongError):
                checks = list(check_file(asked.desk.app, upload.path, quick))
            # a map is to be seen first
            if checks is None or not all(check.reader for check in checks):
                return go_to(_place(upload, asked.form))
        text = _map_to_keep(checks)
        if text:
            keep_map(asked.desk.app, asked.form.get("map_name", ""), text)
    except AfterclearError as error:
        return _shown(asked, upload, asked.form, told_by(error))
    words = ["load", str(upload.path), "--zone", how.zone]
    # one word: a name that begins with a dash is no option
    words += [f"--vehicle={how.vehicle_id}"] if how.vehicle_id else []
    words += ["--begun", how.started_at.isoformat()] if how.started_at else []
    asked.tell(upload.name)
    return asked.begin(
        worded("Load {name}", name=upload.name),
        [words],
        lambda piece: _settle(asked, piece, [upload]),
        upload.number,
    )


def load_all(asked: Asked) -> Response:
    """Load all files that wait; those that need an answer stay, and say so."""
    waiting = asked.desk.uploads.waiting()
    key = " ".join(upload.number for upload in waiting)
    if _is_second_click(asked, key):
        return go_to("/bench")
    if not waiting:
        raise UsageError(worded("No file waits."))
    words = ["load", *(str(upload.path) for upload in waiting), "--zone", _how(asked.form).zone]
    asked.tell(", ".join(upload.name for upload in waiting))
    return asked.begin(
        worded("Load all files that wait"),
        [words],
        lambda piece: _settle(asked, piece, waiting),
        key,
    )


def drop(asked: Asked) -> Response:
    """Take a file away without loading it."""
    asked.tell(asked.desk.uploads.get(asked.path["number"]).name)
    asked.desk.uploads.drop(asked.path["number"])
    return go_to("/bring")


def _is_second_click(asked: Asked, key: str) -> bool:
    """Whether the same files are being loaded just now; ``key``: their numbers.

    Raises:
        UsageError: something else is being worked on.

    """
    piece = asked.desk.bench.piece
    if not asked.desk.bench.is_busy or piece is None:
        return False
    if piece.key != key:
        raise UsageError(BUSY)
    asked.told.is_nothing = True
    return True


def _settle(asked: Asked, piece: Piece, uploads: Iterable[Upload]) -> None:
    """Drop what is in the store; what is not stays, with the reason."""
    said = [found for line in piece.lines if (found := file_told(line))]
    n_left = 0
    for upload in uploads:
        # files of one name are judged together, and an archive with all that is in it
        own = [each for each in said if each[1].partition("/")[0] == upload.name]
        not_taken = [reason for outcome, _, reason in own if outcome not in _TAKEN]
        if own and not not_taken:
            asked.desk.uploads.drop(upload.number)
        else:
            n_left += 1
            asked.desk.uploads.note(upload.number, not_taken[0] if not_taken else "")
    if n_left and not piece.problem and not piece.is_cancelled:
        piece.problem = worded(
            "Not all of it was loaded. What was not still waits under Bring files."
        )


@dataclass(frozen=True, slots=True)
class _Choices:
    """What a column of a file may be taken for."""

    names: tuple[tuple[str, str], ...]  # column of the plain layout, what it holds
    picked: Mapping[str, str]  # heading -> what was picked
    aside: str = ASIDE  # the word for none of them

    @staticmethod
    def key(heading: str) -> str:
        """Give the key of the answer that picks it."""
        return pick_key(heading)


def _choices(check: MapCheck, picked: Mapping[str, str]) -> _Choices | None:
    if check.suggestion is None or not check.suggestion.columns:
        return None
    table = TABLES["scans" if check.suggestion.into == "odometer" else check.suggestion.into]
    means = {c.name: c.means for c in table.columns}
    means |= {} if table.name == "vehicles" else {"vin": "its VIN", "plate": "its plate"}
    return _Choices(tuple(means.items()), picked)


def _answers(fields: Mapping[str, str]) -> dict[str, str]:
    return {
        key.removeprefix(ANSWER): word
        for key, word in fields.items()
        if key.startswith(ANSWER) and word
    }


def _how(fields: Mapping[str, str]) -> HowAsked:
    """Read how a file is to be checked and loaded.

    Raises:
        UsageError: the zone or the time is none.

    """
    zone, begun = fields.get("zone", "").strip() or "UTC", fields.get("begun", "").strip()
    try:
        check_zone(zone)
    except ValueError as error:
        raise UsageError(told_by(error)) from error
    try:
        started_at = datetime.fromisoformat(begun) if begun else None
    except ValueError as error:
        text = worded("{begun!r} is no time; write it as 2025-03-30T14:00+02:00.", begun=begun)
        raise UsageError(text) from error
    if started_at is not None and started_at.tzinfo is None:
        started_at = started_at.replace(tzinfo=UTC)
    return HowAsked(
        rows=_SHOWN,
        zone=zone,
        vehicle_id=fields.get("vehicle", "").strip() or None,
        answers=_answers(fields),
        sides=_SHOWN,
        started_at=started_at,
    )


def _judged(asked: Asked, upload: Upload, how: HowAsked) -> list[MapCheck] | None:
    return asked.desk.judge.judged(asked.desk.app, upload.number, upload.path, how)


def _place(upload: Upload, fields: Mapping[str, str]) -> str:
    """Give the address of a file's page where this was answered."""
    said = {key: word for key, word in fields.items() if key.startswith(ANSWER) or key in _TYPED}
    return f"/bring/{upload.number}?{urlencode(said)}"


def _shown(asked: Asked, upload: Upload, fields: Mapping[str, str], problem: str = "") -> Response:
    """Show a file; what was typed stays where it cannot be used."""
    is_legible = True
    try:
        checks = _judged(asked, upload, _how(fields))
    except UsageError as error:
        is_legible, problem = False, problem or told_by(error)
        checks = _judged(asked, upload, HowAsked(_SHOWN, sides=_SHOWN))
    if checks is None:
        place = _place(upload, fields)
        return asked.page("judging.html", upload=upload, place=place, problem=problem)
    answers = _answers(fields)
    needs_map = any(check.suggestion is not None for check in checks)
    name = fields.get("map_name", "")
    if needs_map and name in own_maps(asked.desk.app):  # of a form that came back after a wait
        problem = problem or taken_name(name)
    said, picked = said_and_picked(answers)
    return asked.page(
        "look.html",
        status=400 if problem else 200,
        upload=upload,
        problem=problem,
        checks=[(check, _choices(check, picked)) for check in checks],
        answer=ANSWER,
        answers=answers,
        answered=said,
        zone=fields.get("zone", "").strip() or "UTC",
        vehicle=fields.get("vehicle", ""),
        begun=fields.get("begun", ""),
        is_ready=is_legible
        and all(check.is_usable or (check.reader and not check.reason) for check in checks),
        needs_map=needs_map,
        map_name=name or _plain_name(Path(upload.name).stem),
        most=_SHOWN,
        words=expected_words(asked.desk.app),
        read_as=_read_as,
    )


def _read_as(reader: str) -> str:
    """Say as what a file is read, by the name of its reader."""
    name = reader.partition(":")[2]
    return _READ_AS.get(reader) or (worded("with the map {name}", name=name) if name else reader)


def _map_to_keep(checks: list[MapCheck]) -> str:
    """Return the map that loads the file; empty: it needs none.

    Raises:
        UsageError: a question is open, or something cannot be read at all.

    """
    made = {check.suggestion.text for check in checks if check.suggestion and check.is_usable}
    for check in checks:
        if not check.is_usable and (check.reader is None or check.reason):
            raise UsageError(
                check.reason or worded("{name} cannot be loaded yet.", name=check.name)
            )
    if len(made) > 1:
        raise UsageError(
            worded("The files within need different maps. Unpack it and bring them one by one.")
        )
    return made.pop() if made else ""


def _plain_name(text: str) -> str:
    """Make a name for a map.

    >>> _plain_name("Scans März (2).csv")
    'scans_m_rz_2_csv'
    """
    return re.sub(r"[^a-z0-9_-]+", "_", text.lower()).strip("_")[:60] or "map"
