"""What a user would do with each file, and what comes of it: right, asked, refused, silently wrong.

Foreign files are read in this process: to begin one for each check and load would take most of the
time, and ``tests/readers/test_reading_process.py`` holds what is read there to the same answers.
"""

import json
import shutil
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import pytest

from afterclear import load as loading
from afterclear.commands.app import App
from afterclear.commands.intake import mapping
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.intake.mapping import Asked, MapCheck, check_file
from afterclear.config import Config
from afterclear.readers.child import reading_child
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.suggest.columns.questions import MOST_QUESTIONS, Question
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store, query
from tests.readers.messy.files import VEHICLES, Messy, Row

Word = Literal["right", "asked", "refused", "silently wrong"]
NOW = datetime(2026, 11, 28, 12, tzinfo=UTC)
NEAR_KM = 0.5
_TIMES = {"scans": "scanned_at", "clears": "cleared_at", "repairs": "repaired_at"}


@dataclass(frozen=True)
class Verdict:
    """What came of a file."""

    file: Messy
    word: Word
    questions: tuple[str, ...]
    reason: str = ""


class Garage:
    """A garage with a vehicle list, made once and copied for each file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.number = 0
        for name, rows in (("known", VEHICLES), ("empty", ())):
            app = self._app(folder / name)
            app.config.folder.mkdir(parents=True, exist_ok=True)  # type: ignore[union-attr]
            path = folder / name / "vehicles.csv"
            lines = ["vehicle_id,vin,plate", *(",".join(row) for row in rows)]
            path.write_text("\n".join(lines) + "\n", encoding="utf-8")
            if rows:
                load_paths(app, [path], Whose(), lambda _: None)
            else:
                with open_store(app.store):
                    pass

    def _app(self, folder: Path) -> App:
        (folder / "config" / "imports").mkdir(parents=True, exist_ok=True)
        return App(Config(folder / "config"), folder / "x.duckdb", lambda: NOW)

    def app(self, *, knows: bool) -> App:
        """Give a garage of its own for one file."""
        self.number += 1
        folder = self.folder / f"of-{self.number}"
        shutil.copytree(self.folder / ("known" if knows else "empty"), folder)
        return self._app(folder)

    def judge(self, file: Messy) -> Verdict:
        """Do what a user does: take the suggestion as it is, or answer its questions, and load."""
        with _read_here():
            return self._judged(file)

    def _judged(self, file: Messy) -> Verdict:
        app = self.app(knows=file.knows)
        _load_past(app, file)
        path = app.store.parent / file.name
        path.write_bytes(file.raw)
        check = _checked(app, path, {}, None)
        questions = tuple(q.key for q in check.suggestion.questions) if check.suggestion else ()
        needs_vehicle = bool(file.vehicle) and not check.is_usable
        if questions or needs_vehicle:
            check, more = self._answered(app, path, file)
            questions = (*more, *(("--vehicle",) if needs_vehicle else ()))
        if check.reader is None and not check.is_usable:
            word: Word = "refused"
            if file.is_nothing:
                word = "asked" if questions else "right"
            return Verdict(file, word, questions, "; ".join(check.to_fill_in) or check.reason)
        return self._loaded(app, path, file, check, questions)

    def _answered(self, app: App, path: Path, file: Messy) -> tuple[MapCheck, tuple[str, ...]]:
        """Answer question after question, as a person at a terminal does."""
        given: dict[str, str] = {}
        for _ in range(MOST_QUESTIONS + 1):
            check = _checked(app, path, given, file.vehicle)
            asked = check.suggestion.questions if check.suggestion else ()
            new = {q.key: answer for q in asked if (answer := _answer(file, q))}
            if new.items() <= given.items():
                break
            given |= new
        return check, tuple(dict.fromkeys([*given, *(q.key for q in asked)]))

    def _loaded(
        self, app: App, path: Path, file: Messy, check: MapCheck, questions: tuple[str, ...]
    ) -> Verdict:
        if check.suggestion is not None:
            place = app.config.imports / "made.toml"  # type: ignore[operator]
            place.write_text(check.suggestion.text, encoding="utf-8")
        told: list[LoadResult] = []
        load_paths(app, [path], Whose(vehicle_id=file.vehicle), told.append)
        with open_store(app.store, read_only=True) as con:
            stored = [
                (table, row)
                for table in (*_TIMES, "vehicles")
                for row in query(
                    con,
                    f"SELECT * FROM {table} WHERE load_id > ? OR ?",
                    [1 + bool(file.before), not file.knows],
                ).to_dicts()
            ]
        word, reason = compared(file, stored, told)
        if word == "right" and questions:
            word = "asked"
        return Verdict(file, word, questions, reason)


class _ReadHere(Readers):
    """All readers in this process; an answer goes through JSON as another process's does."""

    def _ask(self, question: reading_child.Question, name: str) -> object:
        said = json.dumps(reading_child.answered(question, self._readers))
        answer: dict[str, Any] = json.loads(said)
        if "did" in answer:
            return answer["did"]
        raise self._error(answer, name)


@contextmanager
def _read_here() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patched:
        for asks in (loading, mapping):
            patched.setattr(asks, "Readers", _ReadHere)
        yield


def _answer(file: Messy, question: Question) -> str:
    """Give a person's answer; what a file says beside its rows changes nothing, unless it is told."""
    is_beside = question.key.partition(":")[0] in {"line", "aside", "sense"}
    usual = next((word for word in ("fine", "take") if word in question.words), "")
    return file.answers.get(question.key, usual if is_beside else "")


def _load_past(app: App, file: Messy) -> None:
    """Load what the garage had read of its vehicles before this file came."""
    if not file.before:
        return
    lines = ["scan_id,vehicle_id,scanned_at,odometer_km,ecu,code"]
    lines += [
        f"{number},{vehicle},{day}T00:00:00Z,{km},Engine,{code}"
        for number, (vehicle, day, km, code) in enumerate(file.before)
    ]
    path = app.store.parent / "scans.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    told: list[LoadResult] = []
    load_paths(app, [path], Whose(), told.append)
    assert [r.rows_stored for r in told] == [len(file.before)], told


def _checked(app: App, path: Path, answers: Mapping[str, str], vehicle: str | None) -> MapCheck:
    (check,) = check_file(app, path, Asked(answers=answers, vehicle_id=vehicle))
    return check


def compared(
    file: Messy, stored: list[tuple[str, Row]], told: list[LoadResult]
) -> tuple[Word, str]:
    """Hold what is stored against what is meant."""
    left = list(file.rows)
    for table, row in stored:
        found = next((m for m in left if m[0] == table and _is_meant(row, m[1])), None)
        if found is None:
            shown = {
                k: str(v)
                for k, v in row.items()
                if v is not None and k not in {"extras", "load_id"}
            }
            return "silently wrong", f"stored but not meant, in {table}: {shown}"
        left.remove(found)
    refused = sum(r.rows_rejected for r in told) + sum(r.outcome == "refused" for r in told)
    if left and not refused:
        return "silently wrong", f"meant but neither stored nor refused: {left[0]}"
    if left:
        return "refused", f"{refused} refused; {'; '.join(r.note for r in told)}; missing {left[0]}"
    return "right", "; ".join(r.note for r in told)


def _is_meant(row: Row, meant: Row) -> bool:
    return all(_is_same(row.get(name), wanted) for name, wanted in meant.items())


def _is_same(found: object, wanted: str | float | None) -> bool:
    if isinstance(found, datetime):
        found = found.strftime("%Y-%m-%dT%H:%M")
    if wanted is None or found is None:
        return found is None and wanted is None
    if isinstance(wanted, int | float) and not isinstance(wanted, bool):
        return isinstance(found, int | float) and abs(found - wanted) < NEAR_KM
    return str(found) == wanted


def table_of(verdicts: list[Verdict]) -> Iterator[str]:
    """Write the verdicts as a table, one line a file, and the sums."""
    yield "| file | language | what is messy | outcome | questions |"
    yield "|---|---|---|---|---|"
    for v in verdicts:
        asked = ", ".join(v.questions)
        yield f"| `{v.file.name}` | {v.file.language} | {v.file.about} | {v.word} | {asked} |"
    n = Counter(v.word for v in verdicts)
    told = ", ".join(
        f"{word} {n[word]}" for word in ("right", "asked", "refused", "silently wrong")
    )
    yield ""
    yield f"{len(verdicts)} files: {told}."
